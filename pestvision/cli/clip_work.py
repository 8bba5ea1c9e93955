"""The work behind `clip`: which files are one burst, the scale, the pictures that are saved."""

from __future__ import annotations

from contextlib import closing
from dataclasses import replace
from html import escape
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Final

from pestvision.errors import ClipError
from pestvision.findings.words import CAUTION
from pestvision.photos.formats import tell_content

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import BoxXyxy
    from pestvision.cli.scale_options import WantedScale
    from pestvision.findings.clip_result import ClipCheck
    from pestvision.organisms.classify import Classifier
    from pestvision.settings import Settings
    from pestvision.size.records import NoScale, Scale

_HEAD_BYTES: Final = 4096
_BARE: Final = (
    "<!doctype html><html lang='en'><head><meta charset='utf-8'><title>{title}</title>"
    "<meta name='viewport' content='width=device-width, initial-scale=1'></head>"
    "<body style='max-width:60rem;margin:2rem auto;padding:0 1rem;font-family:sans-serif;"
    "overflow-wrap:anywhere'><h1>{title}</h1>"
    "<p>{caution}</p>{body}</body></html>"
)


def sources_of(files: Sequence[Path]) -> list[Path | list[Path]]:
    """Put the photos among the files together as one burst; each clip and each folder stays alone."""
    photos = [path for path in files if _is_photo(path)]
    alone: list[Path | list[Path]] = [path for path in files if path not in photos]
    if len(photos) == 1:
        return [*alone, photos[0]]
    return [*alone, photos] if photos else alone


def _is_photo(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            return tell_content(file.read(_HEAD_BYTES)).format_name is not None
    except OSError:
        return False


def checked_clip(
    source: Path | list[Path],
    classifier: Classifier,
    *,
    wanted: WantedScale | None,
    box: BoxXyxy | None,
    after_irritant: bool,
    on_a_stand: bool,
    seconds_apart: float | None,
    settings: Settings,
) -> ClipCheck:
    """Open a clip or burst, take its scale from the first frame, and check it.

    Raises
    ------
    ClipError, PhotoError, FolderError, ScaleError
        If it cannot be used, or what was typed of the scale cannot be.
    """
    from pestvision.findings.clip import check_clip, open_source
    from pestvision.size.records import NoScale

    clip = open_source(source, seconds_apart=seconds_apart, settings=settings)
    if box is not None and (box[0] >= clip.width or box[1] >= clip.height):
        raise ClipError(
            f"The box lies outside {clip.name}, which is {clip.width} pixels wide and "
            f"{clip.height} high.",
            advice="Give a box that lies on the first frame.",
        )
    scale: Scale | NoScale | None = None
    if wanted is not None:
        with closing(clip.frames()) as frames:
            scale = wanted.on(next(iter(frames)).full())
    answer = check_clip(
        clip,
        classifier,
        scale=None if isinstance(scale, NoScale) else scale,
        box=box,
        after_irritant=after_irritant,
        on_a_stand=on_a_stand,
        settings=settings,
    )
    if isinstance(scale, NoScale):
        note = f"No lengths are given. {scale.reason}"
        return replace(answer, notes=(*answer.notes, note))
    return answer


def save_pictures(answer: ClipCheck, folder: Path) -> list[Path]:
    """Save the first frame with the tracks, and each animal's way and length over time; give their paths.

    Raises
    ------
    OutputError
        If they cannot be written.
    """
    from PIL import Image

    from pestvision.report.pictures import jpeg_uri
    from pestvision.report.track_picture import Tracked, close_up, track_picture, window_of
    from pestvision.report.trail_figures import length_curve
    from pestvision.storage.whole_file import write_whole_bytes

    name = answer.clip if answer.is_burst else Path(answer.clip).stem
    stem = name or "clip"
    tracked = [Tracked(item.track, item.judgement.label, item.trail) for item in answer.animals]
    scale = answer.picture_scale
    drawn = track_picture(answer.picture_rgb, tracked, scale=scale)
    png = BytesIO()
    Image.fromarray(drawn).save(png, format="PNG")

    def way(one: Tracked) -> str:
        """Give a picture of where one animal went, close up; nothing where it fills the frame."""
        window = window_of([one], answer.picture_rgb, scale=scale)
        if window is None:
            return ""
        close = close_up(answer.picture_rgb, [one], scale=scale, window=window)
        alt = escape(f"Where it went, close up: {one.caption()}")
        return f'<img src="{jpeg_uri(close)}" alt="{alt}" style="max-width:100%">'

    curves = [
        f"<h2>Animal {item.track}</h2>{way(one)}{curve}"
        for item, one in zip(answer.animals, tracked, strict=True)
        if (
            curve := length_curve(
                item.trail, item.gait, mm_per_px=item.mm_per_px, number=item.track
            )
        )
    ]
    saved = [write_whole_bytes(_ready(folder) / f"{stem}-tracks.png", png.getvalue())]
    if curves:
        title = escape(f"{answer.clip}: length over time")
        html = _BARE.format(title=title, body="".join(curves), caution=escape(CAUTION))
        saved.append(write_whole_bytes(folder / f"{stem}-lengths.html", html.encode("utf-8")))
    return saved


def _ready(folder: Path) -> Path:
    from pestvision.errors import OutputError

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(
            f"The folder {folder} cannot be made: {error.strerror or error}.",
            advice="Give another folder that you may write to.",
        ) from error
    return folder
