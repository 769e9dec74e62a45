"""The README stays true: its picture is what the program prints, its links lead somewhere, its commands exist."""

import re
from pathlib import Path

import pytest

from andante.settings import Settings
from commands import Shell

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
PICTURE = re.compile(r"`deploy/run (advise [^`]+)`[^\n]*\n\n```text\n(.*?)\n```", re.DOTALL)


def _lines(text: str) -> list[str]:
    return [line.rstrip() for line in text.strip().splitlines()]


def test_the_picture_is_what_the_program_prints(
    capfdbinary: pytest.CaptureFixture[bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    found = PICTURE.search(README)
    assert found is not None
    monkeypatch.chdir(ROOT)
    done = Shell(capfdbinary, monkeypatch)(*found[1].split())
    assert done.status == 0
    assert _lines(done.out) == _lines(found[2])


@pytest.mark.parametrize("link", sorted(set(re.findall(r"\]\(([^)#]+)\)", README))))
def test_every_link_leads_somewhere(link: str) -> None:
    assert (ROOT / link).exists()


def test_the_cautions_are_on_the_first_page() -> None:
    assert "Local protocol and clinical judgement come first" in README
    assert "never orders anything" in README


def test_every_setting_is_in_the_example_file() -> None:
    named = set(re.findall(r"^# (ANDANTE_[A-Z_]+)=", (ROOT / "deploy" / "env.example").read_text(), re.MULTILINE))
    assert named == {f"ANDANTE_{name.upper()}" for name in Settings.model_fields}
