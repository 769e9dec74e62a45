"""Install the engines, pinned, each package held against a hash. `install.py elm` translates the rule anew.

As the foreign servers do, they live in `.servers/`, each in a folder of its own.
"""

import os
import shutil
import subprocess
import sys
import venv
from pathlib import Path

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parents[1] / "contract"))

from servers import install as foreign  # noqa: E402 - only importable from here on
from servers.install import INSTALLED, ChecksumsDiffer, Part, java, node  # noqa: E402

__all__ = [
    "CLASS_PATH",
    "JAVA_ENGINE",
    "NODE",
    "NODE_ENGINES",
    "PYTHON",
    "PYTHON_ENGINE",
    "ChecksumsDiffer",
    "Part",
    "java",
    "node",
]

NODE, PYTHON, JAVA = (INSTALLED / f"engines-{name}" for name in ("node", "python", "java"))
CLASS_PATH = f"{JAVA / 'classes'}:{JAVA / 'lib' / '*'}"


def _install_node() -> None:
    NODE.mkdir(parents=True)
    for name in ("package.json", "package-lock.json"):
        shutil.copy(HERE / name, NODE)
    path = f"{node().parent}{os.pathsep}{os.environ['PATH']}"
    arguments = "ci --silent --no-audit --no-fund --ignore-scripts"
    subprocess.run([*foreign._npm(), *arguments.split()], check=True, cwd=NODE, env={**os.environ, "PATH": path})


def _install_python() -> None:
    venv.create(PYTHON, with_pip=True)
    pip = "-m pip install --quiet --disable-pip-version-check --require-hashes --no-deps --requirement"
    subprocess.run([PYTHON / "bin" / "python", *pip.split(), HERE / "requirements.lock"], check=True)


def _install_java() -> None:
    java()
    if not all(map(shutil.which, ("javac", "mvn"))):
        raise FileNotFoundError("a JDK and Maven are needed: apt-get install default-jdk-headless maven")
    lib = JAVA / "lib"
    arguments = "--batch-mode --quiet --strict-checksums dependency:copy-dependencies -DincludeScope=runtime"
    subprocess.run(["mvn", "-f", HERE / "pom.xml", *arguments.split(), f"-DoutputDirectory={lib}"], check=True)
    foreign._compare(lib, HERE / "jars.sha256")
    compiler = ["javac", "-nowarn", "-proc:none", "-cp", f"{lib}/*", "-d", JAVA / "classes"]
    subprocess.run([*compiler, *HERE.glob("*.java")], check=True)


NODE_ENGINES = Part(NODE.name, (HERE / "package-lock.json",), _install_node)
PYTHON_ENGINE = Part(PYTHON.name, (HERE / "requirements.lock",), _install_python)
JAVA_ENGINE = Part(JAVA.name, (HERE / "pom.xml", HERE / "jars.sha256", *sorted(HERE.glob("*.java"))), _install_java)

if __name__ == "__main__":
    if sys.argv[1:] == ["elm"]:
        JAVA_ENGINE.ensure()
        files = [HERE / "SimpleRule.cql", HERE / "SimpleRule.elm.json"]
        subprocess.run([java(), "-cp", CLASS_PATH, "Translate", *files], check=True)
    else:
        for part in (NODE_ENGINES, PYTHON_ENGINE, JAVA_ENGINE):
            part.ensure()
