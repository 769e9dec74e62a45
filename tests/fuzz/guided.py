"""One target under atheris (libFuzzer for Python), guided by which of our code each input reaches.

    python tests/fuzz/guided.py TARGET CORPUS FINDS SECONDS

A process of its own: libFuzzer ends it. `tests/fuzz/run.py` starts it and reads what it prints.
"""

import logging
import sys
from pathlib import Path

import atheris  # type: ignore[import-not-found,unused-ignore]

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent), str(HERE.parents[1] / "service")]


def main(name: str, corpus: Path, finds: Path, seconds: int) -> None:
    with atheris.instrument_imports(include=["andante"], enable_loader_override=False):
        from targets import TARGETS
    logging.disable()
    target = TARGETS[name]
    for number, text in enumerate(target.texts):
        (corpus / f"seed-{number:03}").write_bytes(text)

    def by_structure(data: bytes, most: int, seed: int) -> bytes:
        return target.mutator.mutate(data, seed, most)

    how = {"custom_mutator": by_structure} if target.by_structure else {}
    arguments = [
        sys.argv[0],
        str(corpus),
        f"-max_total_time={seconds}",
        f"-max_len={target.longest}",
        f"-artifact_prefix={finds}/",
        "-print_final_stats=1",
        "-rss_limit_mb=3000",
        "-timeout=25",  # a single input that takes so long is a find
        "-seed=1",
    ]
    atheris.Setup(arguments, target.run, **how)
    atheris.Fuzz()


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3]), int(sys.argv[4]))
