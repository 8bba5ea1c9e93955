"""A clip that was handed over: whether a file is one, its first frame, its check. Knows no component."""

from __future__ import annotations

from contextlib import closing
from typing import TYPE_CHECKING

from pestvision.findings.finding import Finding, PhotoCheck
from pestvision.photos.formats import tell_content
from pestvision.photos.video import open_clip

if TYPE_CHECKING:
    from pathlib import Path

    from pestvision.arrays import U8, BoxXyxy
    from pestvision.findings.clip_result import ClipCheck
    from pestvision.organisms.classify import Classifier
    from pestvision.settings import Settings
    from pestvision.size.records import Scale

CLIP_ENDINGS = frozenset(
    {".mp4", ".mov", ".m4v", ".webm", ".mkv", ".avi", ".3gp", ".mpg", ".mpeg", ".ts", ".mts"}
)
"""Names of clips: a file so named that holds no photo is taken for a clip, so that a damaged one is told
of as such."""
HEAD_BYTES = 4096


def is_clip(path: Path) -> bool:
    """Tell whether a file is to be read as a clip: by what it holds, and by its name where that says nothing."""
    try:
        with path.open("rb") as file:
            head = file.read(HEAD_BYTES)
    except OSError:
        return False
    content = tell_content(head)
    if content.format_name is not None:
        return False
    return content.words == "a video" or path.suffix.lower() in CLIP_ENDINGS


def first_frame(path: Path, *, settings: Settings) -> tuple[str, U8]:
    """Give a clip's name, and its first frame at full size, (H, W, 3) uint8.

    Raises
    ------
    ClipError
        If it cannot be read as a clip.
    """
    clip = open_clip(path, settings=settings.clip)
    with closing(clip.frames()) as frames:
        return clip.name, next(iter(frames)).full()


def check_clip(
    path: Path,
    classifier: Classifier,
    *,
    scale: Scale | None,
    box: BoxXyxy | None,
    after_irritant: bool,
    on_a_stand: bool,
    settings: Settings,
) -> ClipCheck:
    """Check a clip, as `findings.clip.check_clip`; the readers of clips are loaded when one is given."""
    from pestvision.findings.clip import check_clip

    return check_clip(
        path,
        classifier,
        scale=scale,
        box=box,
        after_irritant=after_irritant,
        on_a_stand=on_a_stand,
        settings=settings,
    )


def as_photo(found: ClipCheck) -> PhotoCheck:
    """Give what was found on a clip as if it were a photo: for the notes of a tank's log."""
    return PhotoCheck(
        photo=found.clip,
        width=found.width,
        height=found.height,
        taken=None,
        verdict=found.verdict,
        findings=tuple(
            Finding(item.track, item.first_box_xyxy_px, item.judgement, item.crop_rgb)
            for item in found.animals
        ),
    )
