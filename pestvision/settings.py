"""Settings: what can be changed, the defaults with their reasons, and the one loader.

Order: default, then file, then command line. An unknown key is an error that names the key and the
nearest known one.
"""

from __future__ import annotations

import dataclasses
import difflib
import tomllib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from pestvision.errors import ConfigError

if TYPE_CHECKING:
    from pathlib import Path

MAX_NUMBER = (
    1e9  # above every setting that makes sense, below what no longer fits a float or a C int
)
MAX_SHOWN = 40  # characters of a wrong value that a message repeats
PROBABILITIES = frozenset(
    {
        "clear_at",
        "hidden_brood",
        "hidden_brood_seen",
        "introduced_a_week",
        "introduced_by_addition",
        "there_unseen",
        "there_exposed",
        "gone_untaken",
        "per_look",
        "infested_batch",
        "infested_wild",
    }
)
"""Settings that have to be below 1: nothing here is certain."""


@dataclass(frozen=True, slots=True)
class PhotoSettings:
    """What counts as a photo."""

    min_megapixels: float = 0.1  # below this a 10 mm animal is a few pixels
    max_megapixels: float = 100.0  # the largest phone sensors; more is a decompression bomb
    max_file_megabytes: float = 400.0  # a 100-megapixel 16-bit TIFF fits


@dataclass(frozen=True, slots=True)
class CheckSettings:
    """How a close-up is checked, and from when on an answer may rule a leech out."""

    max_findings: int = 20  # more boxes than that on one photo help nobody
    # In looks at nothing: a missed leech costs a brood, a false alarm one look. A leech that lives on snails
    # eats 26 to 60 of them (Helobdella conifera; Davies, McLoughlin & Oosthuizen 1997, S Afr J Zool 32(1)).
    # One look a snail would ask about everything from 4 to 2 % on, and be switched off: 9 asks from 10 % on.
    missed_leech_costs: float = 9.0


@dataclass(frozen=True, slots=True)
class NightSettings:
    """How a night's folder is scanned."""

    min_mover_px: int = 16  # length of the smallest mover looked for, pixels of the original photo
    max_gap_photos: int = 2  # a mover unseen for more photos than this starts a new track
    # False blobs to be expected in a pair of photos between which nothing moved: one in ten pairs. A larger
    # number finds fainter animals, and more that is none; 40 of the surest are kept at the most.
    false_a_pair: float = 0.1


@dataclass(frozen=True, slots=True)
class ClipSettings:
    """What counts as a clip, and how much of it is looked at."""

    max_minutes: float = 10.0  # of a longer clip only the beginning: a gait shows in half a minute
    max_megapixels: float = 36.0  # a frame of 8K has 33


@dataclass(frozen=True, slots=True)
class TankSettings:
    """What the arithmetic of the log takes for granted."""

    # Young hide under a parent for up to 5 to 6 weeks in the warm (Helobdella europaea, after Govedich 2004)
    # and about 30 days at 14 degrees (Alboglossiphonia heteroclita; Hatto 1968, Hydrobiologia 31:363); the
    # rest is a margin. No published standard says how long to wait.
    brooding_weeks: float = 8.0
    clear_at: float = 0.95  # from this probability on a tank is called probably clear
    usual_minutes: float = 15.0  # a look that nobody timed is taken for this; effort 1
    look_every_days: float = 3.0  # how often a tank under watch is looked at
    quarantine_weeks: float = 8.0  # as brooding_weeks: what came in may carry a brood
    hidden_weeks: float = (
        6.0  # looks say nothing of young under a parent for so long: 5 to 6 weeks, as above
    )
    # No source gives the chances below. They are guesses on the careful side, and each is named where a
    # probability of being clear is shown.
    hidden_brood: float = 0.2  # where leeches were seen, one with a brood sits unseen
    hidden_brood_seen: float = 0.5  # the same where one with eggs or young was seen
    introduced_a_week: float = 0.001  # something comes in unnoticed: about once in twenty years
    introduced_by_addition: float = 0.05  # what was put in brings some along
    there_unseen: float = 0.2  # some are in a tank in which none was ever seen
    there_exposed: float = 0.5  # the same where it touched a tank that has them
    gone_untaken: float = 0.1  # one that was seen and let be died, or was none
    per_look: float = (
        0.5  # a look at an infested animal in quarantine sees it; nobody has measured that
    )
    infested_batch: float = 0.1  # animals or plants that come in carry some
    infested_wild: float = 0.3  # the same of finds from ponds


@dataclass(frozen=True, slots=True)
class Settings:
    """Everything that can be set, in five sections."""

    photos: PhotoSettings = field(default_factory=PhotoSettings)
    check: CheckSettings = field(default_factory=CheckSettings)
    night: NightSettings = field(default_factory=NightSettings)
    clip: ClipSettings = field(default_factory=ClipSettings)
    tanks: TankSettings = field(default_factory=TankSettings)


def load_settings(path: Path | None = None) -> Settings:
    """Read settings from a TOML file over the defaults.

    Parameters
    ----------
    path
        A TOML file with the sections `[photos]`, `[check]`, `[night]`, `[clip]` and `[tanks]`, or None for
        the defaults.

    Raises
    ------
    ConfigError
        If the file cannot be read, is not TOML, or holds an unknown key or a value of a wrong kind.
    """
    if path is None:
        return Settings()
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        message = f"The settings file {path.name} cannot be read: {error.strerror}."
        raise ConfigError(message, advice="Give the path of a readable TOML file.") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
        message = f"The settings file {path.name} is not valid TOML: {error}."
        raise ConfigError(message, advice="Correct that line, or leave the file out.") from error
    sections: dict[str, Any] = {}
    for name, values in table.items():
        known = {item.name: item for item in dataclasses.fields(Settings)}
        _require_known(name, list(known), where=path.name)
        if not isinstance(values, dict):
            message = f"'{name}' in {path.name} is a value, and a section was expected."
            raise ConfigError(message, advice=f"Write it as a section: [{name}].")
        sections[name] = _section(getattr(Settings(), name), values, where=f"[{name}]")
    settings = Settings(**sections)
    photos = settings.photos
    if photos.min_megapixels >= photos.max_megapixels:
        message = (
            f"In {path.name} min_megapixels is {photos.min_megapixels:g} and max_megapixels is "
            f"{photos.max_megapixels:g}, so that no photo would be accepted."
        )
        raise ConfigError(message, advice="Make min_megapixels the smaller of the two.")
    return settings


def _section(default: Any, values: dict[str, Any], where: str) -> Any:
    numbers: dict[str, float] = {}
    for key, value in values.items():
        _require_known(key, [item.name for item in dataclasses.fields(default)], where=where)
        usual = getattr(default, key)
        number = _positive_number(value, kind=type(usual))
        if number is None:
            message = f"'{key}' in {where} is {_short(value)}, and a positive number was expected."
            raise ConfigError(message, advice=f"Give a number such as {usual}.")
        if key in PROBABILITIES and number >= 1:
            message = (
                f"'{key}' in {where} is {_short(value)}, and a probability below 1 was expected."
            )
            raise ConfigError(message, advice=f"Give a number between 0 and 1, such as {usual}.")
        numbers[key] = number
    return dataclasses.replace(default, **numbers)


def _positive_number(value: object, *, kind: type) -> float | None:
    """Give the value as the kind of number a setting holds, None where it is no such number."""
    accepted = (int,) if kind is int else (int, float)
    if isinstance(value, bool) or not isinstance(value, accepted) or not 0 < value <= MAX_NUMBER:
        return None
    number: float = kind(value)
    return number


def _short(value: object) -> str:
    text = repr(value)
    return text if len(text) <= MAX_SHOWN else f"{text[:MAX_SHOWN]}…"


def _require_known(name: str, known: list[str], where: str) -> None:
    if name in known:
        return
    nearest = difflib.get_close_matches(name, known, n=1, cutoff=0.0)[0]
    message = f"'{name}' in {where} is not a known setting."
    raise ConfigError(message, advice=f"The nearest known one is '{nearest}'.")
