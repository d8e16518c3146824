"""The built wheel, installed elsewhere, runs the demo from an empty folder with the data files that travel in it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import sysconfig
import venv
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
DEMO = ["run", "sequences/duct-heater-6kw.yaml", "--unit", "DH6-00000001",
        "--station", "simulators/demo-station.yaml", "--acknowledge", "demo"]

pytestmark = pytest.mark.real_lines


def spoken(words: list[str], folder: Path) -> subprocess.CompletedProcess[str]:
    """Run a program in a folder, away from this project's files and settings."""
    clean = {key: value for key, value in os.environ.items() if not key.startswith(("PYTHON", "VIRTUAL_ENV"))}
    return subprocess.run(words, cwd=folder, env=clean, stdin=subprocess.DEVNULL, capture_output=True, text=True,
                          timeout=180)


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel, built from this tree."""
    out = tmp_path_factory.mktemp("dist")
    done = spoken([sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(out), str(ROOT)], out)
    assert done.returncode == 0, done.stdout + done.stderr
    found = list(out.glob("eolseq-*.whl"))
    assert len(found) == 1
    return found[0]


@pytest.fixture(scope="module")
def program(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The installed program, in an environment that sees the libraries of this one and nothing of this tree."""
    home = tmp_path_factory.mktemp("environment")
    venv.create(home, with_pip=False, symlinks=True)
    python = home / "bin" / "python"
    words = [sys.executable, "-m", "pip", "--python", str(python), "install", "-q", "--no-deps", "--no-index", str(wheel)]
    done = spoken(words, home)
    assert done.returncode == 0, done.stdout + done.stderr
    theirs = next((home / "lib").glob("python3*/site-packages"))
    (theirs / "libraries.pth").write_text(sysconfig.get_path("purelib") + "\n")
    where = spoken([str(python), "-c", "import eolseq; print(eolseq.__file__)"], home)
    assert Path(where.stdout.strip()).is_relative_to(home), where.stdout + where.stderr
    return home / "bin" / "eolseq"


def test_every_data_file_and_page_of_the_manual_travels(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        names = set(archive.namelist())
    data = [path.relative_to(ROOT) for folder in ("sequences", "drivers", "simulators")
            for path in (ROOT / folder).glob("*.yaml")]
    pages = [path.relative_to(ROOT) for path in (ROOT / "eolseq" / "manual").glob("*.md")]
    assert len(data) >= 11 and len(pages) >= 9
    wanted = {f"eolseq/shipped_data/{path.as_posix()}" for path in data} | {path.as_posix() for path in pages}
    assert wanted - names == set()
    assert {"eolseq/py.typed", "eolseq/records/log.py"} <= names
    assert not [name for name in names if name.startswith(("tests/", "records/", "keys/"))]


def test_the_demo_runs_from_an_empty_folder(program: Path, tmp_path: Path) -> None:
    done = spoken([str(program), *DEMO], tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr
    assert (tmp_path / "records" / "log.jsonl").is_file()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["keys", "records"]
    audited = spoken([str(program), "audit", "records", "--json"], tmp_path)
    assert audited.returncode == 0, audited.stdout + audited.stderr
    assert json.loads(audited.stdout)["outcomes"] == {"pass": 1}


def test_the_manual_and_the_check_work_from_an_empty_folder(program: Path, tmp_path: Path) -> None:
    shown = spoken([str(program), "manual", "safety"], tmp_path)
    assert (shown.returncode, shown.stdout) == (0, (ROOT / "eolseq" / "manual" / "safety.md").read_text(encoding="utf-8"))
    checked = spoken([str(program), "check", "sequences/duct-heater-6kw.yaml", "--station",
                      "simulators/demo-station.yaml"], tmp_path)
    assert checked.returncode == 0, checked.stdout + checked.stderr
