"""What happens when a button is pressed: functions that know no component of the page."""

from __future__ import annotations

import math
import secrets
import threading
import time
from contextlib import contextmanager
from dataclasses import dataclass, replace
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import unquote, urlsplit

from pestvision.errors import FolderError, PersonError, PestVisionError, PhotoError
from pestvision.findings.check import check_photo
from pestvision.findings.night import scan_night
from pestvision.photos.read import read_photo
from pestvision.report.write import write_report
from pestvision.web import cards, words
from pestvision.web.outlines import Outline, draw_mark, draw_outlines, reduced
from pestvision.web.shelf import Shelf

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from pestvision.arrays import U8, BoxXyxy
    from pestvision.findings.finding import NightResult, PhotoCheck
    from pestvision.organisms.classify import Classifier
    from pestvision.progress import Progress
    from pestvision.settings import Settings

REPORT_FOLDER_NAME = "night-report"


class MarkError(PersonError):
    """The place that the person marked cannot be used."""


@contextmanager
def spoken() -> Iterator[None]:
    """Turn an error of ours into the one sentence that the page shows, and stays shown."""
    try:
        yield
    except PestVisionError as error:
        import gradio as gr

        raise gr.Error(
            escape(error.sentence()),
            duration=None,
            title="That did not work",
            print_exception=False,
        ) from error


class ClassifierOnce:
    """The classifier, loaded once: in the background where it is asked for early.

    Parameters
    ----------
    source
        Called once, to load it. Where that fails, the next asker tries again.
    """

    def __init__(self, source: Callable[[], Classifier]) -> None:
        self._source = source
        self._lock = threading.Lock()
        self._loaded: Classifier | None = None

    def get(self) -> Classifier:
        """Give the classifier, waiting for it where it is still being loaded."""
        with self._lock:
            if self._loaded is None:
                self._loaded = self._source()
            return self._loaded

    def judged_with(self, classifier: Classifier) -> str:  # noqa: ARG002
        """Say whose labels a net judges with; nothing for the net as it came."""
        return ""

    def warm(self) -> None:
        """Load it on a thread of its own; a failure is told to the first who asks."""

        def load() -> None:
            try:
                ClassifierOnce.get(self)  # of a kind that does more, the loading alone
            except PestVisionError:
                return

        threading.Thread(target=load, name="load the net", daemon=True).start()


@dataclass(frozen=True, slots=True, eq=False)
class Shown:
    """The photo on the page, and what is drawn on it.

    Parameters
    ----------
    path
        Where our copy is kept.
    name
        Its file name.
    height, width
        Pixels of the upright original.
    small_rgb
        The photo reduced for the page, (h, w, 3) uint8, without drawings.
    outlines
        What was found.
    corner_px
        The first corner of a mark that waits for its second, original pixels.
    mark_xyxy_px
        The finished mark, original pixels.
    found
        The answer that is shown, None before the first.
    is_of_mark
        Whether that answer is of a marked place alone.
    judged_with
        Whose labels it was judged with, as a sentence; empty for the net as it came.
    """

    path: Path
    name: str
    height: int
    width: int
    small_rgb: U8
    outlines: tuple[Outline, ...] = ()
    corner_px: tuple[float, float] | None = None
    mark_xyxy_px: BoxXyxy | None = None
    found: PhotoCheck | None = None
    is_of_mark: bool = False
    judged_with: str = ""

    @property
    def scale(self) -> float:
        """Shown pixels per original pixel."""
        return float(self.small_rgb.shape[1] / self.width)

    def drawn(self) -> U8:
        """Give the picture with the outlines and the mark on it."""
        picture = draw_outlines(self.small_rgb, self.outlines, scale=self.scale)
        return draw_mark(
            picture, scale=self.scale, corner_px=self.corner_px, box_xyxy_px=self.mark_xyxy_px
        )

    def edges(self) -> tuple[float | None, float | None, float | None, float | None]:
        """Give the mark as left, top, right and bottom in per cent of the photo."""
        if self.mark_xyxy_px is None:
            return (None, None, None, None)
        x0, y0, x1, y1 = self.mark_xyxy_px
        per_width, per_height = 100 / self.width, 100 / self.height
        return (
            round(x0 * per_width, 1),
            round(y0 * per_height, 1),
            round(x1 * per_width, 1),
            round(y1 * per_height, 1),
        )


Edges = tuple[float | None, float | None, float | None, float | None]
"""Left, top, right and bottom of a mark, per cent of the photo; None where not filled in."""


def clicked(shown: Shown, x_px: float, y_px: float) -> Shown:
    """Take a click on the shown picture as a corner of the mark.

    Parameters
    ----------
    shown
        The photo on the page.
    x_px, y_px
        Column and row in pixels of the shown (reduced) picture.

    Returns
    -------
    Shown
        With one corner after the first click, with a mark after the second. A second click in the
        same row or column as the first starts anew from there.
    """
    x, y = x_px / shown.scale, y_px / shown.scale
    if shown.corner_px is None:
        return replace(shown, corner_px=(x, y), mark_xyxy_px=None)
    other_x, other_y = shown.corner_px
    box = (min(x, other_x), min(y, other_y), max(x, other_x), max(y, other_y))
    if box[2] - box[0] < 1 or box[3] - box[1] < 1:
        return replace(shown, corner_px=(x, y), mark_xyxy_px=None)
    return replace(shown, corner_px=None, mark_xyxy_px=box)


def typed(shown: Shown, edges: Edges) -> Shown:
    """Draw the mark that is being typed, as soon as its four edges make sense."""
    try:
        box = box_of_edges(edges, height=shown.height, width=shown.width)
    except MarkError:
        return replace(shown, corner_px=None, mark_xyxy_px=None)
    return replace(shown, corner_px=None, mark_xyxy_px=box)


def unmarked(shown: Shown) -> Shown:
    """Take the mark away."""
    return replace(shown, corner_px=None, mark_xyxy_px=None)


def box_of_edges(edges: Edges, *, height: int, width: int) -> BoxXyxy:
    """Turn the four typed edges, per cent, into a box in pixels.

    Raises
    ------
    MarkError
        If one is missing, lies outside 0 to 100, or the edges are in the wrong order.
    """
    left, top, right, bottom = edges
    if left is None or top is None or right is None or bottom is None:
        raise MarkError(words.NO_MARK, advice=words.NO_MARK_ADVICE)
    in_order = 0 <= left < right <= 100 and 0 <= top < bottom <= 100
    if not in_order:
        message = words.BAD_MARK.format(
            left=_plain(left), right=_plain(right), top=_plain(top), bottom=_plain(bottom)
        )
        raise MarkError(message, advice=words.BAD_MARK_ADVICE)
    return (left * width / 100, top * height / 100, right * width / 100, bottom * height / 100)


def _plain(number: float) -> str:
    return f"{number:g}" if math.isfinite(number) else "no number"


def folder_of_text(text: str) -> Path:
    """Read a typed or pasted folder: quotes, `~` and `file://` are understood.

    Raises
    ------
    FolderError
        If nothing was typed, or it cannot be a path.
    """
    cleaned = text.strip().strip("\"'").strip()
    if not cleaned:
        raise FolderError(words.NO_FOLDER, advice=words.NO_FOLDER_ADVICE)
    if cleaned.startswith("file://"):
        cleaned = unquote(urlsplit(cleaned).path)
    if "\0" in cleaned:
        message = "The folder's name holds a character that no folder's name can hold."
        raise FolderError(message, advice=words.NO_FOLDER_ADVICE)
    try:
        return Path(cleaned).expanduser()
    except RuntimeError as error:
        message = f"The home folder in {cleaned} is not known."
        raise FolderError(message, advice="Give the whole path of the folder.") from error


class TimedProgress:
    """Tell a bar how far the work is, and how long the rest takes.

    Parameters
    ----------
    show
        Takes the share done, 0 to 1, and a sentence.
    clock
        Gives seconds; replaced in tests.
    """

    LEAST_SHARE = 0.05  # before that the time left would be a guess

    def __init__(
        self, show: Callable[[float, str], Any], clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._show = show
        self._clock = clock
        self._started_s = clock()

    def __call__(self, done: int, total: int, what: str) -> None:
        """Take `done` of `total` steps, and a short word for the step that comes next."""
        share = min(max(done / total, 0.0), 1.0) if total > 0 else 0.0
        sentence = f"{what}: {done} of {total}"
        if self.LEAST_SHARE <= share < 1:
            left_s = (self._clock() - self._started_s) * (1 - share) / share
            sentence += f", {words.time_left(left_s)}"
        self._show(share, sentence)


class Desk:
    """Everything the page's buttons do.

    Parameters
    ----------
    settings
        What can be set.
    classifier
        Loads the net at first use.
    work_folder
        A private folder for photos that were handed over (`kept`, never served) and for reports
        (`reports`, the only folder that is).
    """

    def __init__(self, settings: Settings, classifier: ClassifierOnce, work_folder: Path) -> None:
        self._settings = settings
        self._classifier = classifier
        self.reports = work_folder / "reports"
        self.reports.mkdir(parents=True, exist_ok=True)
        self._photos = Shelf(work_folder / "kept" / "photos")
        self._nights = Shelf(work_folder / "kept" / "nights")

    def take_photo(self, owner: str, sent: str | None) -> Shown:
        """Keep the photo that was handed over, and decode it for the page."""
        with spoken():
            if not sent:
                raise PhotoError(words.NO_PHOTO, advice=words.NO_PHOTO_ADVICE)
            path = self._photos.replace(owner, Path(sent))
            try:
                photo = read_photo(path, settings=self._settings.photos)
            except PestVisionError:
                self._photos.drop(owner)
                raise
            return Shown(path, photo.name, photo.height, photo.width, reduced(photo.rgb))

    def check(self, shown: Shown | None, *, with_heat: bool = False) -> tuple[Shown, str]:
        """Check the whole photo; give what to draw, and the answer as HTML."""
        with spoken():
            shown = _required(shown)
            found, judged_with = self._check(shown, None)
            shown = replace(
                unmarked(shown),
                found=found,
                is_of_mark=False,
                outlines=_marks(found),
                judged_with=judged_with,
            )
            return shown, self._answer(shown, with_heat=with_heat)

    def judge_mark(
        self, shown: Shown | None, edges: Edges, *, with_heat: bool = False
    ) -> tuple[Shown, str]:
        """Judge the place that the person marked; give what to draw, and the answer as HTML."""
        with spoken():
            shown = _required(shown)
            box = box_of_edges(edges, height=shown.height, width=shown.width)
            found, judged_with = self._check(shown, box)
            marks = _marks(found) or (Outline(1, box, found.verdict.label),)
            shown = replace(
                shown, found=found, is_of_mark=True, outlines=marks, judged_with=judged_with
            )
            return shown, self._answer(shown, with_heat=with_heat)

    def show_heat(self, shown: Shown | None, *, with_heat: bool) -> str | None:
        """Give the shown answer anew with or without its heat; None where there is no answer yet."""
        with spoken():
            if shown is None or shown.found is None:
                return None
            return self._answer(shown, with_heat=with_heat)

    def _answer(self, shown: Shown, *, with_heat: bool) -> str:
        """Write the answer; the heat is worked out only where it is wanted."""
        found = shown.found
        if found is None:
            return ""
        heats = None
        if with_heat:
            crops = [item.crop_rgb for item in found.findings]
            groups = [item.judgement.likeliest for item in found.findings]
            heats = self._classifier.get().heat_maps(crops, groups)
        return cards.photo_answer(
            found, alone=shown.is_of_mark, heats=heats, judged_with=shown.judged_with
        )

    def _check(self, shown: Shown, box_xyxy_px: BoxXyxy | None) -> tuple[PhotoCheck, str]:
        """Judge a photo or a place on it; say also whose labels it was judged with."""
        classifier = self._classifier.get()
        photo = read_photo(shown.path, settings=self._settings.photos)
        found = check_photo(photo, classifier, settings=self._settings, box_xyxy_px=box_xyxy_px)
        return found, self._classifier.judged_with(classifier)

    def take_night(self, owner: str, sent: Sequence[str] | None) -> int:
        """Keep more photos of a night, and say how many wait now."""
        self._nights.add(owner, [Path(path) for path in sent or ()])
        return self._nights.count(owner)

    def forget_night(self, owner: str) -> int:
        """Delete the photos of a night that were handed over."""
        self._nights.drop(owner)
        return 0

    def scan_folder(self, text: str, progress: Progress) -> tuple[str, Path, NightResult]:
        """Scan a folder of this computer; give the answer as HTML, the report, and the result."""
        with spoken():
            result, judged_with = self._scan(folder_of_text(text), progress)
            report = self._report(result, judged_with)
            return cards.night_answer(result, judged_with=judged_with), report, result

    def scan_sent(self, owner: str, progress: Progress) -> tuple[str, Path, NightResult]:
        """Scan the photos that were handed over, then delete them; give what `scan_folder` gives."""
        with spoken():
            folder = self._nights.held(owner)
            if folder is None:
                raise FolderError(words.NO_FILES, advice=words.NO_FILES_ADVICE)
            result, judged_with = self._scan(folder, progress)
            result = replace(result, folder=words.NIGHT_FILES)
            report = self._report(result, judged_with)
            self._nights.drop(owner)
            return cards.night_answer(result, judged_with=judged_with), report, result

    def _scan(self, folder: Path, progress: Progress) -> tuple[NightResult, str]:
        """Scan a folder; say also whose labels it was judged with."""
        progress(0, 1, words.LOADING)
        classifier = self._classifier.get()
        result = scan_night(folder, classifier, settings=self._settings, progress=progress)
        return result, self._classifier.judged_with(classifier)

    def _report(self, result: NightResult, judged_with: str) -> Path:
        """Write the report into a folder with a name that nobody can guess."""
        if judged_with:
            result = replace(result, notes=(*result.notes, judged_with))
        out = self.reports / secrets.token_hex(16) / REPORT_FOLDER_NAME
        return write_report(result, out, classifier=self._classifier.get()).html

    def leave(self, owner: str) -> None:
        """Delete everything that a visitor handed over."""
        self._photos.drop(owner)
        self._nights.drop(owner)


def _marks(found: PhotoCheck) -> tuple[Outline, ...]:
    return tuple(
        Outline(item.id, item.box_xyxy_px, item.judgement.label) for item in found.findings
    )


def _required(shown: Shown | None) -> Shown:
    if shown is None:
        raise PhotoError(words.NO_PHOTO, advice=words.NO_PHOTO_ADVICE)
    if not shown.path.exists():
        raise PhotoError(words.PHOTO_GONE, advice=words.PHOTO_GONE_ADVICE)
    return shown
