"""Serve the page: where it listens, who may reach it, how it looks, and how it is stopped."""

from __future__ import annotations

import os
import shutil
import socket
import sys
import threading
import webbrowser
from importlib import resources
from typing import TYPE_CHECKING, Any

from pestvision.errors import ConfigError
from pestvision.settings import Settings
from pestvision.web import words
from pestvision.web.app import build_app
from pestvision.web.guard import OwnOnly
from pestvision.web.work_folder import make_work_folder

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    import gradio as gr

    from pestvision.organisms.classify import Classifier
    from pestvision.web.tools import Tools

LOOPBACK = "127.0.0.1"
EVERY_ADDRESS = "0.0.0.0"  # noqa: S104 - only with a password, on the person's own word
FIRST_PORT, N_PORTS = 7860, 100  # where a free one is looked for
LEAST_PASSWORD = 8  # characters; common practice, no source
BYTES_PER_MEGABYTE = 1_000_000
STYLES = (
    ("pestvision.web", "style.css"),
    ("pestvision.web", "tanks.css"),
    ("pestvision.report", "templates/log_figures.css"),
)
"""How the page looks, and the pictures of the log in it."""

DEFAULTS = Settings()


def run_page(
    *,
    settings: Settings = DEFAULTS,
    port: int | None = None,
    lan_password: str | None = None,
    album_folder: Path | None = None,
    open_browser: bool = True,
    tell: Callable[[str], None] | None = None,
) -> None:
    """Serve the page until the person stops it with Ctrl+C.

    Parameters
    ----------
    settings
        What can be set.
    port
        Where to listen; the first free one from 7860 on where None.
    lan_password
        Opens the page to the local network behind this password. None keeps it on this computer.
    album_folder
        Where the album is kept; the user's data folder where None.
    open_browser
        Open it in the person's browser.
    tell
        Takes the sentences that say where the page is; they are written to standard output where
        None.

    Raises
    ------
    ConfigError
        If the port or the password cannot be used.
    OutputError
        If no folder can be made to work in.
    """
    _require_port(port)
    _require_password(lan_password)
    tell = _written if tell is None else tell
    work = make_work_folder()
    try:
        app = start_page(
            settings, work, album_folder=album_folder, port=port, lan_password=lan_password
        )
        try:
            if lan_password is None:
                tell(words.OPEN_AT.format(url=app.local_url))
            else:
                tell(words.OPEN_AT_LAN.format(port=app.server_port, user=words.LAN_USER))
            if open_browser:
                webbrowser.open(app.local_url)
            _wait_for_stop()
        finally:
            app.close(verbose=False)
    finally:
        shutil.rmtree(work, ignore_errors=True)
    tell(words.STOPPED)


def start_page(
    settings: Settings,
    work_folder: Path,
    *,
    album_folder: Path | None = None,
    port: int | None = None,
    lan_password: str | None = None,
    classifier_source: Callable[[], Classifier] | None = None,
    tools: Tools | None = None,
) -> gr.Blocks:
    """Build the page, start its server on a thread, and give it back running.

    Raises
    ------
    ConfigError
        If no server can listen on the port.
    """
    if classifier_source is None:
        from pestvision.organisms.classify import Classifier

        classifier_source = Classifier.load
    if port is not None:
        _require_free(port)  # told at once: building takes seconds
    app = build_app(
        settings,
        classifier_source,
        work_folder=work_folder,
        album_folder=album_folder,
        offer_folder=lan_password is None,
        tools=tools,
    )
    options = switches(settings, work_folder)
    if lan_password is not None:
        options |= {
            "server_name": EVERY_ADDRESS,
            "auth": (words.LAN_USER, lan_password),
            "auth_message": words.LAN_LOGIN,
        }
    _reach_loopback_directly()
    if port is None:
        port = _first_free_port()  # last of all, so that hardly anybody takes it in between
    try:
        app.launch(server_port=port, **options)
    except OSError as error:
        raise ConfigError(words.NO_PORT, advice=words.PORT_ADVICE) from error
    return app


def switches(settings: Settings, work_folder: Path) -> dict[str, Any]:
    """Give every argument of `launch` that keeps the page on this computer, and its looks.

    Each is passed in full: environment variables can change those that are left out.
    """
    import gradio as gr
    from starlette.middleware import Middleware

    system_fonts = ["system-ui", "-apple-system", "Segoe UI", "sans-serif"]
    theme = gr.themes.Default(
        primary_hue=gr.themes.colors.teal,
        neutral_hue=gr.themes.colors.stone,
        font=system_fonts,
        font_mono=["ui-monospace", "monospace"],
    ).set(
        button_primary_background_fill="#0f5c5c",
        button_primary_background_fill_hover="#0b4747",
        button_primary_background_fill_dark="#0f5c5c",
        button_primary_text_color="#ffffff",
        body_text_color_subdued="#57534e",
        body_text_color_subdued_dark="#d6d3d1",
        block_info_text_color="#57534e",
        block_info_text_color_dark="#d6d3d1",
        block_label_text_color="#44403c",
        block_label_text_color_dark="#e7e5e4",
        block_title_text_color="#44403c",
        block_title_text_color_dark="#e7e5e4",
        input_border_color="#78716c",
        input_border_color_dark="#a8a29e",
        border_color_primary="#a8a29e",
        border_color_primary_dark="#57534e",
    )
    css = "".join(
        resources.files(package).joinpath(name).read_text(encoding="utf-8")
        for package, name in STYLES
    )
    return {
        "server_name": LOOPBACK,
        "share": False,
        "inbrowser": False,
        "show_error": False,
        "quiet": True,
        "prevent_thread_lock": True,
        "strict_cors": True,
        "allowed_paths": [str(work_folder / "reports")],
        "blocked_paths": [str(work_folder / "kept")],
        "max_file_size": round(settings.photos.max_file_megabytes * BYTES_PER_MEGABYTE),
        "enable_monitoring": False,
        "run_history": False,
        "ssr_mode": False,
        # The toolkit's second greeting to its own server gives up after three seconds, and the page with it,
        # though the server has answered the first: too soon for a computer that is busy.
        "_frontend": False,
        "mcp_server": False,
        "pwa": False,
        "num_workers": 0,
        "app_kwargs": {"middleware": [Middleware(OwnOnly)]},
        "footer_links": [],
        "root_path": "",
        "theme": theme,
        "css": css,
    }


def _reach_loopback_directly() -> None:
    """Keep the toolkit's greeting to its own server from going through a proxy on the network."""
    for name in ("NO_PROXY", "no_proxy"):
        known = [item for item in os.environ.get(name, "").split(",") if item]
        os.environ[name] = ",".join(dict.fromkeys([*known, LOOPBACK, "localhost"]))


def _require_port(port: int | None) -> None:
    if port is not None and not 1024 <= port <= 65535:
        raise ConfigError(words.BAD_PORT.format(port=port), advice=words.PORT_ADVICE)


def _first_free_port() -> int:
    """Give the first free port; the toolkit's own search leaves a socket open for each one that is taken."""
    for port in range(FIRST_PORT, FIRST_PORT + N_PORTS):
        try:
            _require_free(port)
        except ConfigError:
            continue
        return port
    raise ConfigError(words.NO_PORT, advice=words.PORT_ADVICE)


def _require_free(port: int) -> None:
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((LOOPBACK, port))
        except OSError as error:
            message = words.PORT_TAKEN.format(port=port)
            raise ConfigError(message, advice=words.PORT_ADVICE) from error


def _require_password(password: str | None) -> None:
    if password is not None and len(password) < LEAST_PASSWORD:
        message = words.SHORT_PASSWORD.format(length=len(password), least=LEAST_PASSWORD)
        raise ConfigError(message, advice=words.SHORT_PASSWORD_ADVICE)


def _wait_for_stop() -> None:
    stop = threading.Event()
    try:
        while not stop.wait(timeout=0.5):  # a bare wait cannot be interrupted on Windows
            pass
    except KeyboardInterrupt:
        return


def _written(sentence: str) -> None:
    sys.stdout.write(f"{sentence}\n")
    sys.stdout.flush()
