"""Install the validator: Maven fetches what it needs, each file is held against its hash, one class is compiled.

Run as a script; a second run has nothing to do. It needs a JDK (17 or newer) and Maven.
"""

import hashlib
import re
import shutil
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).parent / "validator"
INSTALLED = Path(__file__).parents[2] / ".servers" / "validator"
CLASS_PATH = f"{INSTALLED / 'classes'}:{INSTALLED / 'lib' / '*'}"

_STAMP = INSTALLED / "installed.sha256"
_OLDEST_JAVA = 17


def missing() -> str | None:
    """Why the validator cannot be started, or None when it can."""
    if not _STAMP.exists():
        return "not installed: run tests/conformance/install.py"
    if _STAMP.read_text() != _wanted():
        return "installed from other sources: run tests/conformance/install.py again"
    return None


def install() -> None:
    """Raises CalledProcessError when a package cannot be had, RuntimeError when it is not the one expected."""
    if missing() is None:
        return
    _need_java()
    shutil.rmtree(INSTALLED, ignore_errors=True)
    INSTALLED.mkdir(parents=True)
    arguments = (
        "--batch-mode --quiet --strict-checksums -Dmaven.wagon.http.retryHandler.count=3 "
        "dependency:copy-dependencies -DincludeScope=runtime"
    )
    lib = INSTALLED / "lib"
    subprocess.run(["mvn", "-f", HERE / "pom.xml", *arguments.split(), f"-DoutputDirectory={lib}"], check=True)
    _compare(lib)
    subprocess.run(
        ["javac", "-nowarn", "-cp", f"{lib}/*", "-d", INSTALLED / "classes", HERE / "Validate.java"], check=True
    )
    _STAMP.write_text(_wanted())


def _need_java() -> None:
    if not all(map(shutil.which, ("java", "javac", "mvn"))):
        raise RuntimeError(f"a JDK ({_OLDEST_JAVA} or newer) and Maven are needed")
    told = subprocess.run(["javac", "-version"], check=True, capture_output=True, text=True)
    version = re.search(r"\d+", told.stdout + told.stderr)
    if version is None or int(version[0]) < _OLDEST_JAVA:
        raise RuntimeError(f"a JDK {_OLDEST_JAVA} or newer is needed, this one is older")


def _compare(lib: Path) -> None:
    found = {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in lib.iterdir()}
    lines = (line.split() for line in (HERE / "jars.sha256").read_text().splitlines())
    expected = {name: digest for digest, name in lines}
    if found != expected:
        odd = sorted(dict(found.items() ^ expected.items()))
        raise RuntimeError(f"these are not the packages of jars.sha256: {', '.join(odd)}")


def _wanted() -> str:
    files = [HERE / name for name in ("pom.xml", "jars.sha256", "Validate.java")]
    return hashlib.sha256(b"".join(file.read_bytes() for file in files)).hexdigest()


if __name__ == "__main__":
    try:
        install()
    except (subprocess.CalledProcessError, RuntimeError) as error:
        sys.exit(f"the validator could not be installed: {error}")
