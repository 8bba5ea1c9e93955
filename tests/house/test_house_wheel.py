"""The wheel: the weights travel in it, and an installed copy finds them."""

from __future__ import annotations

import hashlib
import importlib.util
import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from pestvision.organisms.known import KNOWN_NAME
from pestvision.organisms.weights import CARD_NAME, WEIGHTS_NAME

REPO = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="session")
def unpacked_wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Build a wheel and unpack it, as an installer would."""
    if importlib.util.find_spec("hatchling") is None:
        pytest.skip("hatchling is not installed: it comes with the group dev")
    out = tmp_path_factory.mktemp("wheel")
    result = subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(out)],
        cwd=REPO,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert result.returncode == 0, result.stderr
    (wheel,) = out.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(out / "site")
    return out / "site"


def test_the_wheel_holds_the_weights_and_their_card(unpacked_wheel: Path) -> None:
    weights = list((REPO / "models").glob("*.safetensors"))
    assert weights
    for path in (*weights, *(REPO / "models").glob("*.json")):
        assert (unpacked_wheel / "pestvision/_models" / path.name).read_bytes() == path.read_bytes()


def test_the_wheel_holds_the_whole_package_and_nothing_beside_it(unpacked_wheel: Path) -> None:
    def files(root: Path) -> set[str]:
        return {
            str(path.relative_to(root))
            for path in root.rglob("*")
            if path.is_file() and not {"__pycache__", "_models"} & set(path.relative_to(root).parts)
        }

    assert files(unpacked_wheel / "pestvision") == files(REPO / "pestvision")
    names = {path.name for path in unpacked_wheel.iterdir()}
    assert len(names) == 2
    assert "pestvision" in names
    assert next(iter(names - {"pestvision"})).endswith(".dist-info")


def test_an_installed_copy_finds_its_own_weights(unpacked_wheel: Path, tmp_path: Path) -> None:
    environment = os.environ | {"PYTHONPATH": str(unpacked_wheel)}
    code = "from pestvision.organisms.weights import find_models; print(find_models())"
    for words in (["-c", code], ["-m", "pestvision", "--version"]):
        result = subprocess.run(
            [sys.executable, *words],
            cwd=tmp_path,
            env=environment,
            capture_output=True,
            text=True,
            timeout=120,
            check=True,
        )
        if words[0] == "-c":
            assert Path(result.stdout.strip()) == unpacked_wheel / "pestvision/_models"
        else:
            weights = REPO / "models" / WEIGHTS_NAME
            assert hashlib.sha256(weights.read_bytes()).hexdigest() in result.stdout


def test_the_wheel_carries_whatever_the_program_loads(unpacked_wheel: Path) -> None:
    carried = unpacked_wheel / "pestvision/_models"
    for name in (WEIGHTS_NAME, CARD_NAME, KNOWN_NAME):
        assert (carried / name).read_bytes() == (REPO / "models" / name).read_bytes()


def test_a_checkout_finds_the_weights_beside_the_package() -> None:
    from pestvision.organisms.weights import find_models

    assert find_models() in {REPO / "models", REPO / "pestvision/_models"}
