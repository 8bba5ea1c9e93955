"""What happens when a button is pressed: functions that know no component of the page."""

from __future__ import annotations

import secrets
import threading
import time
from contextlib import contextmanager
from dataclasses import replace
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import unquote, urlsplit

from pestvision.errors import FolderError, PestVisionError, PhotoError
from pestvision.findings.check import check_photo
from pestvision.findings.night import scan_night
from pestvision.photos.read import read_photo
from pestvision.report.write import write_report
from pestvision.size.records import NoScale
from pestvision.size.scale import find_scale
from pestvision.web import cards, words
from pestvision.web.clip_cards import clip_answer
from pestvision.web.clips import check_clip, first_frame, is_clip
from pestvision.web.outlines import Outline, reduced
from pestvision.web.shelf import Shelf
from pestvision.web.shown import Shown, box_of_edges, unmarked

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from pestvision.arrays import U8, BoxXyxy
    from pestvision.findings.finding import NightResult, PhotoCheck
    from pestvision.organisms.classify import Classifier
    from pestvision.progress import Progress
    from pestvision.settings import Settings
    from pestvision.web.shown import Edges

REPORT_FOLDER_NAME = "night-report"


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
        """Keep the photo or clip that was handed over, and decode it for the page."""
        with spoken():
            if not sent:
                raise PhotoError(words.NO_PHOTO, advice=words.NO_PHOTO_ADVICE)
            path = self._photos.replace(owner, Path(sent))
            clip = is_clip(path)
            try:
                name, rgb = self._decoded(path, clip=clip)
            except PestVisionError:
                self._photos.drop(owner)
                raise
            height, width = rgb.shape[:2]
            return Shown(path, name, height, width, reduced(rgb), is_clip=clip)

    def full(self, shown: Shown) -> U8:
        """Give the photo, or the first frame of the clip, at its full size."""
        return self._decoded(shown.path, clip=shown.is_clip)[1]

    def _decoded(self, path: Path, *, clip: bool) -> tuple[str, U8]:
        """Give the name and the upright pixels, (H, W, 3) uint8, of a photo or of a clip's first frame."""
        if clip:
            return first_frame(path, settings=self._settings)
        photo = read_photo(path, settings=self._settings.photos)
        return photo.name, photo.rgb

    def check(
        self,
        shown: Shown | None,
        *,
        with_heat: bool = False,
        after_irritant: bool = False,
        on_a_stand: bool = False,
    ) -> tuple[Shown, str]:
        """Check the whole photo or clip; give what to draw, and the answer as HTML.

        Parameters
        ----------
        shown
            What is on the page.
        with_heat
            Whether the places of a photo that speak for its answer are drawn.
        after_irritant
            Whether the animal of a clip was poked, dipped or dosed within the last hour.
        on_a_stand
            Whether the camera of a clip stood.
        """
        with spoken():
            shown = required(shown)
            if shown.is_clip:
                return self._check_clip(
                    unmarked(shown), None, after_irritant=after_irritant, on_a_stand=on_a_stand
                )
            shown, found, judged_with = self._check(shown, None)
            shown = replace(
                unmarked(shown),
                found=found,
                is_of_mark=False,
                outlines=_marks(found),
                judged_with=judged_with,
            )
            return shown, self._answer(shown, with_heat=with_heat)

    def judge_mark(
        self,
        shown: Shown | None,
        edges: Edges,
        *,
        with_heat: bool = False,
        after_irritant: bool = False,
        on_a_stand: bool = False,
    ) -> tuple[Shown, str]:
        """Judge the place that the person marked; as `check`, for that place alone."""
        with spoken():
            shown = required(shown)
            box = box_of_edges(edges, height=shown.height, width=shown.width)
            if shown.is_clip:
                return self._check_clip(
                    shown, box, after_irritant=after_irritant, on_a_stand=on_a_stand
                )
            shown, found, judged_with = self._check(shown, box)
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
            found,
            alone=shown.is_of_mark,
            heats=heats,
            judged_with=shown.judged_with,
            scale=shown.measuring.scale,
        )

    def _check(self, shown: Shown, box_xyxy_px: BoxXyxy | None) -> tuple[Shown, PhotoCheck, str]:
        """Judge a photo or a place on it; give it with its scale, and whose labels it was judged with."""
        classifier = self._classifier.get()
        photo = read_photo(shown.path, settings=self._settings.photos)
        shown = with_scale(shown, photo.rgb)
        found = check_photo(
            photo,
            classifier,
            settings=self._settings,
            box_xyxy_px=box_xyxy_px,
            scale=shown.measuring.scale,
        )
        return shown, found, self._classifier.judged_with(classifier)

    def _check_clip(
        self, shown: Shown, box: BoxXyxy | None, *, after_irritant: bool, on_a_stand: bool
    ) -> tuple[Shown, str]:
        """Judge a clip, or what a place on its first frame holds; give what to draw, and the answer."""
        classifier = self._classifier.get()
        shown = with_scale(shown, self.full(shown))
        found = check_clip(
            shown.path,
            classifier,
            scale=shown.measuring.scale,
            box=box,
            after_irritant=after_irritant,
            on_a_stand=on_a_stand,
            settings=self._settings,
        )
        judged_with = self._classifier.judged_with(classifier)
        outlines = tuple(
            Outline(item.track, item.first_box_xyxy_px, item.judgement.label)
            for item in found.animals
        )
        shown = replace(
            shown,
            found_on_clip=found,
            is_of_mark=box is not None,
            outlines=outlines,
            judged_with=judged_with,
        )
        html = clip_answer(
            found, alone=box is not None, judged_with=judged_with, scale=shown.measuring.scale
        )
        return shown, html

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
        Outline(item.id, item.box_xyxy_px, item.judgement.label, item.midline_xy_px)
        for item in found.findings
    )


def with_scale(shown: Shown, rgb: U8) -> Shown:
    """Look for a printed marker card where no scale was taken, and take it."""
    if shown.measuring.scale is not None:
        return shown
    scale = find_scale(rgb)
    if isinstance(scale, NoScale):
        return shown
    return replace(shown, measuring=replace(shown.measuring, scale=scale))


def required(shown: Shown | None) -> Shown:
    """Give what is on the page.

    Raises
    ------
    PhotoError
        If nothing was chosen, or it is no longer kept.
    """
    if shown is None:
        raise PhotoError(words.NO_PHOTO, advice=words.NO_PHOTO_ADVICE)
    if not shown.path.exists():
        raise PhotoError(words.PHOTO_GONE, advice=words.PHOTO_GONE_ADVICE)
    return shown
