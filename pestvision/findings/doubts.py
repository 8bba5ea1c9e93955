"""Why something cannot be told, and what would settle it."""

from __future__ import annotations

from enum import StrEnum

from pestvision.findings.words import BETTER_PHOTO


class Doubt(StrEnum):
    """Why something cannot be told."""

    TOO_SMALL = "too-small"
    BLURRED = "blurred"
    OUTSIDE = "outside-what-it-knows"
    SEVERAL = "more-than-one-group"


WHAT_HELPS: dict[Doubt, str] = {
    Doubt.TOO_SMALL: (
        "Go nearer, or use the camera's close-up setting, until it fills a third of the frame; "
        "enlarging this photo adds nothing."
    ),
    Doubt.BLURRED: (
        "Rest the camera on something, have it focus on the animal and not on the glass, give it more "
        "light, and take several photos."
    ),
    Doubt.OUTSIDE: (
        "See that the animal itself is in the picture, alone and in plain light. A kind it has never "
        "seen stays unknown on the best of photos: then go by the signs."
    ),
    Doubt.SEVERAL: BETTER_PHOTO,
}
"""How to take a photo that can be told, by what is wrong with this one (common practice, no source)."""
