"""The working area for a night's photos: components, and which handler each button calls.

Loaded only when the page is built, so Gradio may be imported at the top.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import gradio as gr

from pestvision.web import album_words, cards, words
from pestvision.web.album import Lesson, lesson_of_night
from pestvision.web.handlers import TimedProgress, folder_of_text
from pestvision.web.pages.close_up import PHOTO_TYPES
from pestvision.web.pages.into_log import build_into_log
from pestvision.web.pages.teach import begun, build_teaching
from pestvision.web.pages.visitor import SHOW_ANSWER, SHOW_BAR, clear_after, owner_of

if TYPE_CHECKING:
    from pathlib import Path

    from pestvision.findings.finding import NightResult
    from pestvision.web.album import AlbumDesk
    from pestvision.web.handlers import Desk
    from pestvision.web.pages.teach import About
    from pestvision.web.tank_scan import ScanDesk


def build_night(
    desk: Desk, album: AlbumDesk, scan: ScanDesk, heavy: dict[str, Any], *, offer_folder: bool
) -> list[About]:
    """Lay out the area and connect it.

    Parameters
    ----------
    desk, album, scan
        The handlers: of the photos, of teaching, and of what goes into a tank's log.
    heavy
        Keyword arguments of every event that computes.
    offer_folder
        Whether the person sits at this computer and may name one of its folders. Where not, neither
        the field nor the event behind it exists. Only such a folder's animals can be taught: photos
        that were handed over are deleted once they have been gone through.

    Returns
    -------
    list
        The fields for the tank and the visitor's name, where there are any.
    """
    gr.Markdown(words.CHOOSE_NIGHT)
    gr.Markdown(words.CHOOSE_NIGHT_HINT)
    with gr.Row(elem_classes="pv-columns"):
        if offer_folder:
            with gr.Column(min_width=300):
                gr.Markdown(words.NIGHT_FOLDER_HEADING)
                folder = gr.Textbox(
                    label=words.NIGHT_FOLDER,
                    info=words.NIGHT_FOLDER_HINT,
                    placeholder=words.NIGHT_FOLDER_EXAMPLE,
                    max_lines=1,
                    elem_id="night-folder",
                )
                scan_folder = gr.Button(
                    words.NIGHT_FOLDER_BUTTON, variant="primary", elem_id="night-folder-button"
                )
        with gr.Column(min_width=300):
            gr.Markdown(
                words.NIGHT_FILES_HEADING if offer_folder else words.NIGHT_FILES_HEADING_ALONE
            )
            gr.Markdown(words.NIGHT_FILES_HINT)
            sent = gr.File(
                label=words.NIGHT_FILES,
                file_count="multiple",
                file_types=PHOTO_TYPES,
                type="filepath",
                height=150,
                elem_id="night-files",
            )
            sent_folder = gr.UploadButton(
                words.NIGHT_WHOLE_FOLDER_BUTTON,
                file_count="directory",
                type="filepath",
                elem_id="night-directory",
            )
            waiting = gr.Markdown(words.NIGHT_NONE_YET, elem_id="night-waiting")
            with gr.Row():
                scan_sent = gr.Button(
                    words.NIGHT_FILES_BUTTON,
                    variant="secondary" if offer_folder else "primary",
                    elem_id="night-files-button",
                    min_width=140,
                )
                forget = gr.Button(
                    words.NIGHT_FORGET_BUTTON, elem_id="night-forget-button", min_width=140
                )
    gr.Markdown(words.NIGHT_ANSWER)
    with gr.Column(visible=False, elem_id="night-report") as report_area:
        with gr.Row(elem_classes="pv-report"):
            save = gr.DownloadButton(
                words.NIGHT_REPORT_BUTTON, variant="primary", elem_id="night-report-save"
            )
            open_link = gr.HTML("", elem_id="night-report-open")
        gr.Markdown(words.NIGHT_REPORT_HINT)
    answer = gr.HTML(cards.waiting(words.NIGHT_ANSWER_WAITS), elem_id="night-answer")
    log_place = gr.Column()
    teaching = None
    if offer_folder:
        teaching = build_teaching(album, "night", is_lan=False, heading=album_words.TEACH_NIGHT)
    with log_place:
        into_log = build_into_log(scan, "night", None if teaching is None else teaching.about.who)

    def results(html: str, report: Path, result: NightResult, lesson: Lesson) -> tuple[Any, ...]:
        log = into_log.begun(scan.of_night(result), cards.night_label(result))
        shown = (html, gr.Column(visible=True), str(report), _link(report), *log)
        return shown if teaching is None else (*shown, *begun(lesson))

    def go_through_folder(
        text: str,
        progress: gr.Progress = gr.Progress(),  # noqa: B008
    ) -> tuple[Any, ...]:
        html, report, result = desk.scan_folder(text, _told(progress))
        return results(html, report, result, lesson_of_night(result, folder_of_text(text)))

    def go_through_sent(
        request: gr.Request,
        progress: gr.Progress = gr.Progress(),  # noqa: B008
    ) -> tuple[Any, ...]:
        found = results(*desk.scan_sent(owner_of(request), _told(progress)), Lesson())
        return (*found, words.handed_over(0))

    def take(paths: list[str] | None, request: gr.Request) -> str:
        return words.handed_over(desk.take_night(owner_of(request), paths))

    def forget_all(request: gr.Request) -> str:
        return words.handed_over(desk.forget_night(owner_of(request)))

    outputs = [answer, report_area, save, open_link, *into_log.outputs]
    outputs += [] if teaching is None else teaching.outputs
    shown_on: dict[str, Any] = {"show_progress_on": answer, **heavy}
    show = SHOW_ANSWER.format(where="night-answer")
    light: dict[str, Any] = {"show_progress": "hidden", "api_visibility": "private"}
    bar = SHOW_BAR.format(where="night-answer")
    scan_sent.click(None, js=bar)
    if offer_folder:
        scan_folder.click(None, js=bar)
        gr.on(
            [scan_folder.click, folder.submit],
            go_through_folder,
            folder,
            outputs,
            api_name="scan_folder",
            **shown_on,
        ).success(None, js=show)
    scan_sent.click(go_through_sent, None, [*outputs, waiting], api_name="scan_photos", **shown_on)
    for source, name in ((sent, "take_photos"), (sent_folder, "take_folder")):
        taken = source.upload(take, source, waiting, api_name=name, show_progress="minimal")
        clear_after(taken, source)
    forget.click(forget_all, None, waiting, **light)
    return [] if teaching is None else [teaching.about]


def _told(progress: gr.Progress) -> TimedProgress:
    return TimedProgress(lambda share, sentence: progress(share, desc=sentence))


def _link(report: Path) -> str:
    """Give a link to our own report. Its path holds nothing that a person typed."""
    return (
        f'<a class="pv-link" href="gradio_api/file={report.as_posix()}" target="_blank" '
        f'rel="noopener">{words.NIGHT_REPORT_OPEN}</a>'
    )
