"""Settings: defaults, a file over them, and one sentence for each thing that can be wrong."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from pestvision.errors import ConfigError
from pestvision.settings import PROBABILITIES, Settings, load_settings

if TYPE_CHECKING:
    from pathlib import Path


def write(folder: Path, text: str | bytes) -> Path:
    path = folder / "own.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def test_without_a_file_the_defaults_hold() -> None:
    assert load_settings() == load_settings(None) == Settings()


def test_an_empty_file_changes_nothing(tmp_path: Path) -> None:
    assert load_settings(write(tmp_path, "")) == Settings()


def test_a_file_changes_what_it_names_and_nothing_else(tmp_path: Path) -> None:
    found = load_settings(write(tmp_path, "[check]\nmax_findings = 7\n"))
    assert found.check.max_findings == 7
    assert (found.photos, found.night) == (Settings().photos, Settings().night)


def test_a_whole_number_will_do_where_a_fraction_may_stand(tmp_path: Path) -> None:
    found = load_settings(write(tmp_path, "[photos]\nmax_megapixels = 50\n"))
    assert found.photos.max_megapixels == 50.0
    assert type(found.photos.max_megapixels) is float


@pytest.mark.parametrize(
    ("text", "fault", "cure"),
    [
        ("[chek]\n", "'chek' in own.toml is not a known setting", "'check'"),
        ("[check]\nmax_finding = 3\n", "'max_finding' in [check]", "'max_findings'"),
        ("['']\n", "'' in own.toml", "nearest known"),
        ("check = 3\n", "'check' in own.toml is a value", "[check]"),
        ("[check]\nmax_findings = 0\n", "'max_findings' in [check] is 0", "such as 20"),
        ("[check]\nmax_findings = -1\n", "is -1", "such as 20"),
        ("[check]\nmax_findings = 2.5\n", "is 2.5", "such as 20"),
        ("[check]\nmax_findings = true\n", "is True", "such as 20"),
        ("[check]\nmax_findings = '9'\n", "is '9'", "such as 20"),
        ("[check]\nmax_findings = [9]\n", "is [9]", "such as 20"),
        ("[photos]\nmax_megapixels = nan\n", "is nan", "such as 100"),
        ("[photos]\nmax_megapixels = inf\n", "is inf", "such as 100"),
        pytest.param(
            f"[photos]\nmax_megapixels = 1{'0' * 400}\n", "is 1000", "such as 100", id="huge"
        ),
        ("[photos]\nmin_megapixels = 200\n", "min_megapixels is 200", "smaller"),
        ("[check\n", "own.toml is not valid TOML", "Correct"),
        (b"\xff\xfe", "own.toml is not valid TOML", "Correct"),
        pytest.param(f"a = {'[' * 5000}", "own.toml is not valid TOML", "Correct", id="nested"),
    ],
)
def test_what_is_wrong_in_a_file_is_said_with_what_would_do(
    tmp_path: Path, text: str | bytes, fault: str, cure: str
) -> None:
    with pytest.raises(ConfigError) as caught:
        load_settings(write(tmp_path, text))
    assert fault in str(caught.value)
    assert cure in caught.value.advice
    assert "\n" not in caught.value.sentence()
    assert len(caught.value.sentence()) < 400
    assert caught.value.exit_status == 3


def test_a_missing_file_and_a_folder_are_named(tmp_path: Path) -> None:
    for path in (tmp_path / "none.toml", tmp_path):
        with pytest.raises(ConfigError, match=path.name) as caught:
            load_settings(path)
        assert "readable" in caught.value.advice


def sections() -> st.SearchStrategy[dict[str, dict[str, Any]]]:
    def values(default: Any) -> st.SearchStrategy[dict[str, Any]]:
        kinds = {int: st.integers(1, 10**6), float: st.floats(1.0, 1e6)}
        return st.fixed_dictionaries(
            {},
            optional={
                item.name: st.floats(0.001, 0.999)
                if item.name in PROBABILITIES
                else kinds[type(getattr(default, item.name))]
                for item in dataclasses.fields(default)
                if item.name != "min_megapixels"  # it has a bound of its own, tested above
            },
        )

    return st.fixed_dictionaries(
        {},
        optional={
            item.name: values(getattr(Settings(), item.name))
            for item in dataclasses.fields(Settings)
        },
    )


@pytest.mark.parametrize("value", ["1.0", "1", "95"])
def test_a_probability_of_one_is_refused(tmp_path: Path, value: str) -> None:
    with pytest.raises(ConfigError, match="a probability below 1 was expected") as caught:
        load_settings(write(tmp_path, f"[tanks]\nclear_at = {value}"))
    assert "0.95" in caught.value.advice


@given(sections())
@hypothesis_settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_every_setting_written_to_a_file_is_read_back(
    tmp_path: Path, table: dict[str, dict[str, Any]]
) -> None:
    lines = []
    for name, values in table.items():
        lines += [f"[{name}]", *(f"{key} = {value!r}" for key, value in values.items())]
    found = load_settings(write(tmp_path, "\n".join(lines)))
    for item in dataclasses.fields(Settings):
        expected = dataclasses.asdict(getattr(Settings(), item.name)) | table.get(item.name, {})
        assert dataclasses.asdict(getattr(found, item.name)) == expected


@given(st.binary(max_size=200))
@hypothesis_settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_random_bytes_are_settings_or_a_sentence(tmp_path: Path, data: bytes) -> None:
    path = write(tmp_path, data)
    try:
        found = load_settings(path)
    except ConfigError as error:
        found = error.advice
    assert found == Settings() or isinstance(found, str)  # a comment and white space are settings
    assert found
