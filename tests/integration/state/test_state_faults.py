"""Whatever befalls the state between two starts, or while a service runs, the inbox ends as it would have without it.

Each row is played on a FHIR server of its own: a start at 06:30, the night watch at 20:00, the end of the process, the
mishap and a critical result, another start at 20:10, and the next night watch. Beside it the same hours are played by
a service that keeps nothing at all. "Begins": the start costs a round over everybody.
"""

import asyncio
import os
import shutil
import signal
import sqlite3
import subprocess
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, closing, contextmanager, nullcontext
from dataclasses import dataclass
from datetime import timedelta
from functools import cache
from pathlib import Path
from typing import Any

import psycopg
import pytest

from andante.state import keeping, steps
from andante.state.address import address_of
from andante.state.lead import Lead, lead_for
from andante.state.tables import VERSION_TABLE, metadata
from andante.triggers import shift
from state_places import BASE, MORNING, Place, Running, Ward, postgresql_place, sqlite_place

EVENING = MORNING.replace(hour=20)
RESTART = EVENING + timedelta(minutes=10)
NEXT_EVENING = EVENING + timedelta(days=1)


@pytest.fixture(autouse=True)
def no_rest(monkeypatch: pytest.MonkeyPatch) -> None:
    """Here a test looks again at once, where the service does every ten seconds."""
    monkeypatch.setattr(keeping, "_REST_S", 0.0)


@cache
def reference(begins: bool) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The inboxes after the second start and at last, of a service that keeps nothing."""

    async def play() -> tuple[tuple[str, ...], tuple[str, ...]]:
        ward = Ward()
        async with ward.process(None) as one:
            await one.first_round()
            ward.at(EVENING)
            await one.round("night-watch")
            ward.at(RESTART)
            ward.low_potassium()
            if begins:
                await one.round()
            after = tuple(ward.inbox())
            ward.at(NEXT_EVENING)
            await one.round("night-watch")
            return after, tuple(ward.inbox())

    with asyncio.Runner() as runner:
        return runner.run(play())


# --------------------------------------------------------------------------- copies, as an administrator makes them


def back_up(place: Place, to: Path) -> None:
    if place.path is not None:
        with closing(sqlite3.connect(place.path)) as source, closing(sqlite3.connect(to)) as copy:
            source.backup(copy)
        return
    assert place.cluster is not None
    dumped = subprocess.run(
        [place.cluster.programs / "pg_dump", "--clean", "--if-exists", place.url],
        capture_output=True, check=True, timeout=60,
    )  # fmt: skip
    to.write_bytes(dumped.stdout)


def restore(place: Place, copy: Path) -> None:
    if place.path is not None:
        for end in ("", "-wal", "-shm"):
            place.path.with_name(place.path.name + end).unlink(missing_ok=True)
        shutil.copy(copy, place.path)
        return
    assert place.cluster is not None
    psql = [place.cluster.programs / "psql", "--quiet", "--set=ON_ERROR_STOP=1", f"--file={copy}", place.url]
    subprocess.run(psql, capture_output=True, check=True, timeout=60)


# --------------------------------------------------------------------------- what may happen


@dataclass(frozen=True)
class Scene:
    place: Place
    stale: Path  # a copy from before the night watch


Mishap = Callable[[Scene], AbstractContextManager[object] | None]


def nothing(scene: Scene) -> None: ...


def loss(scene: Scene) -> None:
    if scene.place.path is not None:
        for found in scene.place.path.parent.glob("state.db*"):
            found.unlink()
    else:
        scene.place.store().clear()


def damage(scene: Scene) -> None:
    assert scene.place.path is not None
    data = bytearray(scene.place.path.read_bytes())
    data[:2048] = b"\x5a" * 2048
    scene.place.path.write_bytes(data)


def damage_inside(scene: Scene) -> None:
    """The beginning is whole; pages after it are not."""
    assert scene.place.path is not None
    data = bytearray(scene.place.path.read_bytes())
    data[4096:] = b"\xff" * (len(data) - 4096)
    scene.place.path.write_bytes(data)


def truncation(scene: Scene) -> None:
    assert scene.place.path is not None
    with scene.place.path.open("r+b") as file:
        file.truncate(5000)


def emptiness(scene: Scene) -> None:
    assert scene.place.path is not None
    scene.place.path.write_bytes(b"")


def stale_copy(scene: Scene) -> None:
    restore(scene.place, scene.stale)


def stale_copy_of_an_older_version(scene: Scene) -> None:
    restore(scene.place, scene.stale)
    scene.place.run("DROP TABLE andante_audit_heads", f"UPDATE {VERSION_TABLE} SET version_num = '0001'")


def half_an_upgrade(scene: Scene) -> None:
    """The new version's tables without the old ones."""
    scene.place.run("DROP TABLE andante_rounds", "DROP TABLE andante_setbacks")


def tables_gone(scene: Scene) -> None:
    scene.place.run(*(f"DROP TABLE {name}" for name in metadata.tables))


def version_gone(scene: Scene) -> None:
    scene.place.run(f"DELETE FROM {VERSION_TABLE}")


def clock_was_ahead(scene: Scene) -> None:
    scene.place.run(
        "UPDATE andante_rounds SET began = '2031-04-27T06:30:00+00:00', ended = '2031-04-27T06:31:00+00:00'",
        "INSERT INTO andante_setbacks VALUES "
        f"('{BASE}', 'quillfeather', 9, '2031-04-27T06:31:00+00:00', '2031-04-27T07:31:00+00:00')",
    )


def nonsense(scene: Scene) -> None:
    scene.place.run("UPDATE andante_rounds SET ended = 'half past'")


def another_server(scene: Scene) -> None:
    for table in metadata.tables:
        scene.place.run(f"UPDATE {table} SET server = 'https://test.example/fhir'")


def no_rounds(scene: Scene) -> None:
    scene.place.run("DELETE FROM andante_rounds")


@contextmanager
def lock(scene: Scene) -> Iterator[None]:
    if scene.place.path is not None:
        with closing(sqlite3.connect(scene.place.path, isolation_level=None)) as other:
            other.execute("BEGIN EXCLUSIVE")
            yield
        return
    with psycopg.connect(scene.place.url) as session:
        session.execute(f"LOCK TABLE {VERSION_TABLE}, andante_rounds IN ACCESS EXCLUSIVE MODE")  # type: ignore[call-overload]
        yield


@contextmanager
def folder_gone(scene: Scene) -> Iterator[None]:
    assert scene.place.path is not None
    folder = scene.place.path.parent
    aside = folder.with_name("unmounted")
    folder.rename(aside)
    yield
    aside.rename(folder)


@contextmanager
def cannot_be_written(scene: Scene) -> Iterator[None]:
    """A folder in the file's place: root may write whatever its mode says."""
    assert scene.place.path is not None
    aside = scene.place.path.with_name("aside")
    scene.place.path.rename(aside)
    scene.place.path.mkdir()
    yield
    scene.place.path.rmdir()
    aside.rename(scene.place.path)


@contextmanager
def database_stopped(scene: Scene) -> Iterator[None]:
    assert scene.place.cluster is not None
    scene.place.cluster.stop()
    yield
    scene.place.cluster.start()


@contextmanager
def database_silent(scene: Scene) -> Iterator[None]:
    """It takes connections and answers none."""
    assert scene.place.cluster is not None
    scene.place.cluster.freeze()
    yield
    scene.place.cluster.thaw()


def power_cut(scene: Scene) -> None:
    assert scene.place.cluster is not None
    scene.place.cluster.stop(signal.SIGQUIT)
    scene.place.cluster.start()


HELD_FOR_A_WHILE = (lock, folder_gone, cannot_be_written, database_stopped, database_silent)
BOTH, FILE, SERVER = ("sqlite", "postgresql"), ("sqlite",), ("postgresql",)
# what happens, where it can, whether the start begins with a round
ROWS: list[tuple[Mishap, tuple[str, ...], bool]] = [
    (nothing, BOTH, False),
    (loss, BOTH, True),
    (no_rounds, BOTH, True),
    (stale_copy, BOTH, True),
    (stale_copy_of_an_older_version, BOTH, True),
    (half_an_upgrade, BOTH, True),
    (tables_gone, BOTH, True),
    (version_gone, BOTH, True),
    (clock_was_ahead, BOTH, True),
    (nonsense, BOTH, True),
    (another_server, BOTH, True),
    (lock, BOTH, True),
    (damage, FILE, True),
    (damage_inside, FILE, True),
    (truncation, FILE, True),
    (emptiness, FILE, True),
    (folder_gone, FILE, True),
    (cannot_be_written, FILE, True),
    (database_stopped, SERVER, True),
    (database_silent, SERVER, True),
    (power_cut, SERVER, False),
]
PLAYED = [(mishap, kind, begins) for mishap, kinds, begins in ROWS for kind in kinds]


@pytest.mark.parametrize(("mishap", "kind", "begins"), PLAYED, ids=[f"{m.__name__}-{k}" for m, k, _ in PLAYED])
async def test_a_mishap_between_two_starts_costs_a_round_at_most(
    request: pytest.FixtureRequest, tmp_path: Path, ward: Ward, mishap: Mishap, kind: str, begins: bool
) -> None:
    folder = tmp_path / "kept"
    folder.mkdir()
    place = sqlite_place(folder) if kind == "sqlite" else postgresql_place(request)
    stale = tmp_path / "stale"
    async with ward.process(place.url) as one:
        assert await one.first_round()  # nothing vouches for 06:30 of this day
        back_up(place, stale)
        ward.at(EVENING)
        await one.round("night-watch")
    ward.at(RESTART)
    ward.low_potassium()
    after, at_last = reference_of(begins)
    with ExitStack() as over:
        over.enter_context(mishap(Scene(place, stale)) or nullcontext())
        async with ward.process(place.url) as two:
            assert await two.first_round() is begins
            assert (two.charts_read > 0) is begins
            assert ward.inbox() == list(after)
            assert set(ward.open_advice().values()) == {1}
            over.close()  # whatever held it is over
            await two.shift.look()
            assert two.shift.state.problem == ""
            assert (await two.ready())["outlives_a_start"] == "what the next start needs"
            if mishap in HELD_FOR_A_WHILE:  # what was there all the time is learnt late, and not written over
                assert {one.kind for one in place.store().load().rounds} == {"round", "night-watch"}
            ward.at(NEXT_EVENING)
            await two.round("night-watch")
            assert ward.inbox() == list(at_last)
            assert set(ward.open_advice().values()) == {1}
    async with ward.process(place.url) as three:  # and what was kept since is sound
        assert not await three.first_round()


REFERENCES: dict[bool, tuple[tuple[str, ...], tuple[str, ...]]] = {}


def reference_of(begins: bool) -> tuple[tuple[str, ...], tuple[str, ...]]:
    return REFERENCES[begins]


@pytest.fixture(autouse=True, scope="module")
def references() -> None:
    for begins in (True, False):
        REFERENCES[begins] = reference(begins)


def test_the_inboxes_are_worth_comparing() -> None:
    """Else every row would agree about nothing."""
    assert len({*REFERENCES[True], *REFERENCES[False]}) == 4


# --------------------------------------------------------------------------- while it runs


@pytest.mark.parametrize("number", [1, 5, 20])
async def test_a_database_that_goes_in_mid_round_costs_the_round_nothing(
    request: pytest.FixtureRequest, ward: Ward, number: int
) -> None:
    place = postgresql_place(request)
    assert place.cluster is not None
    stopped = False

    def stop(seen: int, _request: Any) -> None:
        nonlocal stopped
        if seen == number:
            assert place.cluster is not None
            place.cluster.stop(signal.SIGQUIT)
            stopped = True

    async with ward.process(place.url) as one:
        await one.first_round()
        ward.at(EVENING)
        one.between.seen.clear()
        one.between.on_request = stop
        await one.round("night-watch")
        assert stopped
        assert (await one.ready())["outlives_a_start"] == "nothing at present"
        assert one.shift.state.problem.startswith("PostgreSQL")
        assert ward.inbox() == list(reference_of(False)[0])
        place.cluster.start()
        await one.shift.look()
        assert one.shift.state.problem == ""
    async with ward.process(place.url) as two:
        assert not await two.first_round()  # the night watch was kept after all


async def test_a_file_deleted_under_a_running_service_is_written_whole_again(tmp_path: Path, ward: Ward) -> None:
    place = sqlite_place(tmp_path)
    async with ward.process(place.url) as one:
        await one.first_round()
        ward.at(EVENING)
        for found in tmp_path.glob("state.db*"):
            found.unlink()
        await one.round("night-watch")
        await one.shift.look()
        assert one.shift.state.problem == ""
        assert {row.kind for row in place.store().load().rounds} == {"round", "night-watch"}


# --------------------------------------------------------------------------- a full disk, a real one


@contextmanager
def small_disk(folder: Path) -> Iterator[Path]:
    folder.mkdir()
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=1m,mode=0777", "tmpfs", folder], capture_output=True, check=False
    )
    if made.returncode:
        pytest.skip("a disk that is small enough to be filled needs the right to mount one")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", folder], check=True)


def fill(folder: Path) -> Path:
    """To the last byte: by pages, then by single bytes."""
    filler = folder / "filler"
    found = os.open(filler, os.O_WRONLY | os.O_CREAT)
    for size in (4096, 1):
        try:
            while True:
                os.write(found, b"\0" * size)
        except OSError:
            continue
    os.close(found)
    return filler


async def test_a_full_disk_under_the_file(tmp_path: Path, ward: Ward) -> None:
    with small_disk(tmp_path / "small") as disk:
        place = sqlite_place(disk)
        async with ward.process(place.url) as one:
            await one.first_round()
            filler = fill(disk)
            ward.at(EVENING)
            await one.round("night-watch")
            assert "the disk" in one.shift.state.problem  # is full, or fails
            assert ward.inbox() == list(reference_of(False)[0])
            filler.unlink()
            await one.shift.look()
            assert one.shift.state.problem == ""
        ward.at(RESTART)
        async with ward.process(place.url) as two:
            assert not await two.first_round()


async def test_a_full_disk_before_there_is_a_file(tmp_path: Path, ward: Ward) -> None:
    with small_disk(tmp_path / "small") as disk:
        filler = fill(disk)
        async with ward.process(sqlite_place(disk).url) as one:
            assert await one.first_round()
            assert "disk" in one.shift.state.problem
            assert set(ward.open_advice().values()) == {1}
            filler.unlink()
            await one.shift.look()
            assert one.shift.state.problem == ""


async def test_a_full_disk_under_the_database(request: pytest.FixtureRequest, tmp_path: Path, ward: Ward) -> None:
    """PostgreSQL answers 53100. The tables lie in a tablespace on a small disk of their own."""
    place = postgresql_place(request)
    assert place.cluster is not None
    with small_disk(place.cluster.folder / "small") as disk:
        name = place.url.rpartition("/")[2]
        (disk / "space").mkdir(mode=0o777)
        if place.cluster.account is not None:
            shutil.chown(disk / "space", place.cluster.account)
        with psycopg.connect(place.cluster.url("postgres"), autocommit=True) as session:
            session.execute(f"CREATE TABLESPACE small LOCATION '{disk / 'space'}'")  # type: ignore[call-overload]
        place.store().open(now=MORNING)
        place.run(*(f"ALTER TABLE {table} SET TABLESPACE small" for table in metadata.tables))
        async with ward.process(place.url) as one:
            filler = fill(disk)
            await one.first_round()
            await one.shift.look()
            assert one.shift.state.problem == f"PostgreSQL, database {name} at 127.0.0.1: PostgreSQL answers 53100"
            assert set(ward.open_advice().values()) == {1}
            filler.unlink()
            await one.shift.look()
            assert one.shift.state.problem == ""
        place.store().clear()
        with psycopg.connect(place.cluster.url("postgres"), autocommit=True) as session:
            session.execute("DROP TABLESPACE small")


# --------------------------------------------------------------------------- old and new side by side


async def test_an_old_version_leaves_the_state_of_a_newer_one_alone_and_the_clock_to_it(
    place: Place, ward: Ward, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with ward.process(place.url) as old:
        await old.first_round()
        assert not old.shift.stands_by
        with newer_version(place):
            before = [row for table in sorted(metadata.tables) for row in place.rows(table)]
            ward.at(EVENING)
            await old.round("night-watch")
            assert "of version 9001" in old.shift.state.problem
            assert "of version 9001" in (await old.client.get("/operations")).text
            await old.shift.look()
            assert old.shift.stands_by
            newer = lead_for(address_of(place.url), BASE)
            await until_taken(newer)  # it has let go, so that the newer one may take it
            newer.give_up()
            assert (await old.client.get("/leads")).status_code == 503
            assert [row for table in sorted(metadata.tables) for row in place.rows(table)] == before
            # Nobody has taken it: somebody must run the rounds, and an old version is better than none.
            monkeypatch.setattr(old.shift.state, "_offers_from", 0.0)
            await takes_over(old)
            assert await old.first_round()
            assert [row for table in sorted(metadata.tables) for row in place.rows(table)] == before
        assert ward.inbox() == list(reference_of(False)[0])


async def until_taken(lead: Lead) -> None:
    """PostgreSQL needs a moment to notice that a session has ended."""
    for _ in range(50):
        if lead.take():
            return
        await asyncio.sleep(0.1)
    pytest.fail("the lead was not given up")


@contextmanager
def newer_version(place: Place) -> Iterator[None]:
    place.run(f"UPDATE {VERSION_TABLE} SET version_num = '9001'")
    yield
    place.run(f"UPDATE {VERSION_TABLE} SET version_num = '{steps.newest()}'")


async def takes_over(running: Running) -> None:
    """PostgreSQL needs a moment to notice that a session has ended."""
    for _ in range(50):
        await running.shift.look()
        if not running.shift.stands_by:
            return
        await asyncio.sleep(0.1)
    pytest.fail("it did not take over")


async def test_an_instance_that_stood_by_takes_over_when_the_other_ends(place: Place, ward: Ward) -> None:
    async with ward.process(place.url) as one:
        await one.first_round()
        async with ward.process(place.url) as two:
            assert (one.shift.stands_by, two.shift.stands_by) == (False, True)
            assert [(await it.client.get("/leads")).status_code for it in (one, two)] == [200, 503]
            assert (await two.ready())["rounds"] == "run by another instance"
            assert two.charts_read == 0
            ward.at(EVENING)
            await one.round("night-watch")
            await two.shift.look()
            ward.at(RESTART)
            # One instance learns of the other's rounds: it is neither late nor asleep.
            assert two.shift.timetable.is_up_to_date(RESTART)
            one.shift.state.close()  # as the end of its process would
            await takes_over(two)
            assert not await two.first_round()  # the last one that was due is known to have been completed
            ward.at(MORNING + timedelta(days=1, minutes=5))
            assert (await two.client.get("/health")).status_code == 200


async def test_one_that_takes_over_late_begins_with_the_round_that_was_missed(place: Place, ward: Ward) -> None:
    async with ward.process(place.url) as one:
        await one.first_round()
        async with ward.process(place.url) as two:
            ward.at(EVENING + timedelta(minutes=1))  # the first died before the night watch
            one.shift.state.close()
            await takes_over(two)
            assert await two.first_round()
            assert set(ward.open_advice().values()) == {1}


async def test_two_that_cannot_ask_who_leads_both_run_and_double_nothing(
    request: pytest.FixtureRequest, ward: Ward, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = postgresql_place(request)
    assert place.cluster is not None
    async with ward.process(place.url) as one:
        await one.first_round()
        async with ward.process(place.url) as two:
            assert two.shift.stands_by
            place.cluster.stop()
            try:
                ward.at(EVENING)
                await two.shift.look()
                assert two.shift.stands_by  # a hiccup is no reason
                await one.shift.look()
                assert not one.shift.stands_by
                monkeypatch.setattr(shift, "_PATIENCE_S", 0.0)
                await two.shift.look()
                assert not two.shift.stands_by
                await one.round("night-watch")
                await two.first_round()
                assert set(ward.open_advice().values()) == {1}
                assert ward.inbox() == list(reference_of(False)[0])
            finally:
                place.cluster.start()
            for it in (one, two):
                await it.shift.look()
            assert sorted(it.shift.stands_by for it in (one, two)) == [False, True]


async def test_without_any_state_each_instance_runs_the_clock(ward: Ward) -> None:
    async with ward.process(None) as one, ward.process(None) as two:
        await one.first_round()
        await two.first_round()
        assert (one.shift.stands_by, two.shift.stands_by) == (False, False)
        assert set(ward.open_advice().values()) == {1}
        assert (await one.ready())["outlives_a_start"] == "nothing"


def test_the_document_names_every_mishap() -> None:
    text = (Path(__file__).parents[3] / "shared" / "docs" / "state.md").read_text(encoding="utf-8")
    listed = text.partition("that keeps nothing (`tests")[2] or text.partition("## What was tried")[2]
    for mishap, _, _ in ROWS:
        assert mishap.__name__.replace("_", " ") in listed, mishap.__name__
