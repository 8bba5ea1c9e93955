"""Who may import whom, what loads at once, and what must never be loaded."""

from __future__ import annotations

import ast
import importlib.metadata
import importlib.util
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

REPO = Path(__file__).resolve().parents[2]
PACKAGE = REPO / "pestvision"
HEAVY = ("torch", "torchvision", "timm", "gradio", "sklearn", "pandas")
HEAVY_FOR_HELP = (*HEAVY, "cv2", "numpy", "scipy", "PIL", "rich", "jinja2")
FETCHERS = {
    "aiohttp",
    "ftplib",
    "http.client",
    "httpx",
    "huggingface_hub",
    "requests",
    "smtplib",
    "telnetlib",
    "urllib.request",
    "urllib3",
    "websockets",
    "xmlrpc.client",
}


def fresh_python(code: str, *flags: str, **options: Any) -> subprocess.CompletedProcess[str]:
    """Run code in an interpreter of its own."""
    return subprocess.run(
        [sys.executable, *flags, "-c", code],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        **options,
    )


def judge_imports(root: Path) -> subprocess.CompletedProcess[str]:
    if importlib.util.find_spec("importlinter") is None:
        pytest.skip("import-linter is not installed: it comes with the group dev")
    code = "import sys; from importlinter.cli import lint_imports; sys.exit(lint_imports())"
    return fresh_python(code, cwd=root, env=os.environ | {"PYTHONPATH": str(root)})


def copy_of_the_code(target: Path) -> Path:
    shutil.copytree(PACKAGE, target / "pestvision", ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(REPO / "pyproject.toml", target)
    return target


def test_data_goes_left_to_right_and_heavy_packages_stay_in_their_rooms(tmp_path: Path) -> None:
    result = judge_imports(copy_of_the_code(tmp_path))
    assert result.returncode == 0, result.stdout[-3000:]
    assert "0 broken" in result.stdout


@pytest.mark.parametrize(
    ("room", "line"),
    [
        ("photos/read.py", "import pestvision.findings.finding"),  # backwards
        ("motion/align.py", "import torch"),
        ("report/write.py", "import gradio"),
        ("findings/finding.py", "import rich"),
    ],
)
def test_an_import_against_the_law_is_caught(tmp_path: Path, room: str, line: str) -> None:
    path = copy_of_the_code(tmp_path) / "pestvision" / room
    path.write_text(f"{path.read_text(encoding='utf-8')}\n{line}\n", encoding="utf-8")
    result = judge_imports(tmp_path)
    assert result.returncode == 1
    assert "1 broken" in result.stdout


def modules() -> list[str]:
    found = []
    for path in sorted(PACKAGE.rglob("*.py")):
        parts = path.relative_to(REPO).with_suffix("").parts
        found.append(".".join(parts[:-1] if parts[-1] == "__init__" else parts))
    return found


SILENT = """
import sys

def refuse(event, arguments):
    if event in {{"socket.connect", "socket.getaddrinfo", "socket.bind"}}:
        raise RuntimeError(f"{{event}} at import")

sys.addaudithook(refuse)
for name in {names!r}:
    __import__(name)
print(sorted(set({heavy!r}) & set(sys.modules)))
"""


def test_the_commands_load_at_once_silently_and_without_anything_heavy() -> None:
    code = SILENT.format(names=["pestvision", "pestvision.cli"], heavy=HEAVY_FOR_HELP)
    result = fresh_python(code, "-W", "error")
    assert (result.returncode, result.stdout, result.stderr) == (0, "[]\n", "")


def test_every_module_loads_silently_offline_and_without_the_heaviest_packages() -> None:
    # The areas of the page are built of gradio, and loaded only when the page is.
    names = [name for name in modules() if not name.startswith("pestvision.web.pages.")]
    code = SILENT.format(names=names, heavy=HEAVY)
    result = fresh_python(code, "-W", "error")
    assert (result.returncode, result.stdout, result.stderr) == (0, "[]\n", "")


def test_that_a_loaded_heavy_package_would_be_seen() -> None:
    result = fresh_python(SILENT.format(names=["pestvision", "numpy"], heavy=HEAVY_FOR_HELP))
    assert result.stdout == "['numpy']\n"


def imported_names(source: str) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            found |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
    return found


def test_no_module_can_fetch_anything() -> None:
    found = {
        str(path.relative_to(REPO)): wrong
        for path in PACKAGE.rglob("*.py")
        if (wrong := imported_names(path.read_text(encoding="utf-8")) & FETCHERS)
    }
    assert found == {}


def test_that_a_fetching_import_would_be_seen() -> None:
    for line in (
        "import urllib.request",
        "from urllib import request",
        "def f():\n    import requests",
        "from http.client import HTTPConnection",
    ):
        assert imported_names(line) & FETCHERS


def test_one_wheel_alone_owns_opencv() -> None:
    found = {
        name.lower()
        for item in importlib.metadata.distributions()
        if (name := item.metadata["Name"]) and name.lower().startswith("opencv")
    }
    assert found == {"opencv-python-headless"}
