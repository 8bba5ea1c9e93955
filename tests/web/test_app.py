"""The page as a server: what it serves, what it refuses, and that nothing leaves this computer."""

from __future__ import annotations

import os
import re
import socket
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import gradio as gr
import httpx
import platformdirs
import pytest
from gradio_client import Client, handle_file
from hand_made import CLASSIFIER, RunningPage

from pestvision.errors import ConfigError, OutputError
from pestvision.settings import PhotoSettings, Settings
from pestvision.web import app as page_app
from pestvision.web import serve as page_server
from pestvision.web import words
from pestvision.web.app import build_app
from pestvision.web.serve import run_page, switches
from pestvision.web.work_folder import make_work_folder

PATIENCE_S = (
    60.0  # where others work too, the toolkit takes longer over a page than its client waits
)
get, post = (partial(ask, timeout=PATIENCE_S) for ask in (httpx.get, httpx.post))
REPO_FILE = Path(page_app.__file__).resolve()
pytestmark = [
    # The toolkit's queue, once an event is done, uses two things that pandas 3 no longer needs.
    pytest.mark.filterwarnings("ignore:'future.no_silent_downcasting' is deprecated"),
    pytest.mark.filterwarnings("ignore:The copy keyword is deprecated"),
]
PASSWORD = "ramshorn-9"  # noqa: S105 - of a page that lives for one test
Serve = Callable[..., RunningPage]


@pytest.fixture
def addresses(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Every host that any thread of this process looks up or connects to."""
    seen: list[str] = []
    look_up, connect = socket.getaddrinfo, socket.socket.connect

    def looking_up(host: Any, *args: Any, **options: Any) -> Any:
        seen.append(host.decode() if isinstance(host, bytes) else str(host))
        return look_up(host, *args, **options)

    def connecting(self: socket.socket, address: Any) -> None:
        if isinstance(address, tuple):
            seen.append(str(address[0]))
        connect(self, address)

    monkeypatch.setattr(socket, "getaddrinfo", looking_up)
    monkeypatch.setattr(socket.socket, "connect", connecting)
    return seen


@pytest.fixture
def connect() -> Iterator[Callable[[RunningPage], Client]]:
    """A client that calls the page's events as another program would."""
    clients: list[Client] = []

    def start(page: RunningPage, **options: Any) -> Client:
        patience = {"timeout": PATIENCE_S}
        client = Client(
            page.url, verbose=False, analytics_enabled=False, httpx_kwargs=patience, **options
        )
        clients.append(client)
        return client

    yield start
    for client in clients:
        client.close()


def uploaded(page: RunningPage, name: str, content: bytes) -> httpx.Response:
    return post(f"{page.url}gradio_api/upload", files={"files": (name, content)})


def served(page: RunningPage, path: object) -> int:
    return get(f"{page.url}gradio_api/file={path}").status_code


def test_the_page_looks_up_and_contacts_this_computer_only(
    serve: Serve, connect: Any, photo_file: Path, addresses: list[str]
) -> None:
    page = serve()
    client = connect(page)
    client.predict(handle_file(photo_file), api_name="/take_photo")
    client.predict(api_name="/check_photo")
    assert addresses
    assert set(addresses) <= {"127.0.0.1", "localhost"}


def test_the_page_starts_where_the_computer_is_too_busy_for_the_toolkits_greeting(
    serve: Serve, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("gradio.networking.url_ok", lambda _url: False)  # as when it is too slow
    assert get(serve().url).status_code == 200


def test_a_photo_goes_through_and_its_answer_comes_back(
    serve: Serve, connect: Any, photo_file: Path
) -> None:
    client = connect(serve())
    client.predict(handle_file(photo_file), api_name="/take_photo")
    assert words.VERDICTS["leech-like"] in str(client.predict(api_name="/check_photo"))
    marked = client.predict(10, 10, 50, 50, api_name="/judge_mark")
    assert "not enough to say" in str(marked)
    assert "pv-heat" not in str(marked)
    assert "pv-heat" in str(client.predict(True, api_name="/show_heat"))


def test_the_sent_photo_does_not_stay_where_it_can_be_served(
    serve: Serve, connect: Any, photo_file: Path
) -> None:
    page = serve()
    connect(page).predict(handle_file(photo_file), api_name="/take_photo")
    assert not list((page.work / "sent").rglob("evening*"))
    kept = list((page.work / "kept").rglob("evening glass.jpg"))
    assert len(kept) == 1
    assert served(page, kept[0]) == 403


def test_a_night_goes_through_and_its_report_can_be_opened(
    serve: Serve, connect: Any, night_folder: Path
) -> None:
    page = serve()
    said = str(connect(page).predict(str(night_folder), api_name="/scan_folder"))
    assert words.NIGHT_VERDICTS["leech-like"] in said
    link = re.search(r'href="(gradio_api/file=[^"]+)"', said)
    assert link is not None
    report = get(page.url + link.group(1))
    assert report.status_code == 200
    assert report.headers["content-type"].startswith("text/html")
    assert "shelf-tuesday" in report.text


def test_photos_handed_over_go_through(serve: Serve, connect: Any, night_folder: Path) -> None:
    page = serve()
    client = connect(page)
    photos = [handle_file(path) for path in sorted(night_folder.iterdir())]
    assert "3 files" in str(client.predict(photos, api_name="/take_photos"))
    assert words.NIGHT_VERDICTS["leech-like"] in str(client.predict(api_name="/scan_photos"))
    assert not list((page.work / "kept").rglob("*.jpg"))


def test_bad_input_comes_back_as_one_sentence(serve: Serve, connect: Any, tmp_path: Path) -> None:
    client = connect(serve())
    letter = tmp_path / "letter.jpg"
    letter.write_text("Dear snails, I am not a photo.")
    with pytest.raises(Exception, match=r"letter\.jpg.*photo"):
        client.predict(handle_file(letter), api_name="/take_photo")
    with pytest.raises(Exception, match="There is no folder"):
        client.predict(str(tmp_path / "missing"), api_name="/scan_folder")


def test_files_that_are_not_the_pages_own_are_refused(serve: Serve, tmp_path: Path) -> None:
    page = serve()
    (tmp_path / "secret.txt").write_text("secret")
    (page.work / "kept" / "night.jpg").write_text("a visitor's photo")
    for path in (
        "/etc/passwd",
        REPO_FILE,
        page.work / "kept",
        page.work / "kept" / "night.jpg",
        f"{page.work}/sent/../kept/night.jpg",
        f"{page.work}/../secret.txt",
        "../secret.txt",
        "%2e%2e/secret.txt",
    ):
        assert served(page, path) in {403, 404}, path
    report = page.work / "reports" / "one" / "report.html"
    report.parent.mkdir()
    report.write_text("<p>ours</p>")
    assert served(page, report) == 200


def test_the_page_fetches_nothing_from_elsewhere_on_request(
    serve: Serve, addresses: list[str]
) -> None:
    page = serve()
    for address in (
        "https://elsewhere.example/a.jpg",
        "http://192.0.2.1/a.jpg",
        "/HTTPS://elsewhere.example/a.jpg",
        "https%3A//elsewhere.example/a.jpg",
    ):
        assert served(page, address) == 403, address
    assert set(addresses) <= {"127.0.0.1", "localhost"}


def test_the_browser_is_told_to_stay_with_this_computer(serve: Serve) -> None:
    rule = get(serve().url).headers["content-security-policy"]
    assert rule.startswith("default-src 'self'")
    assert "http" not in rule


def test_a_call_cannot_pass_off_a_file_of_this_computer_as_an_upload(
    serve: Serve, photo_file: Path
) -> None:
    page = serve()
    stolen = {"path": str(photo_file), "meta": {"_type": "gradio.FileData"}}
    call = post(f"{page.url}gradio_api/call/take_photo", json={"data": [stolen]})
    answer = get(f"{page.url}gradio_api/call/take_photo/{call.json()['event_id']}").text
    assert "event: error" in answer
    assert photo_file.exists()
    assert not list((page.work / "kept").rglob("*.jpg"))


def test_a_file_over_the_limit_is_refused_and_one_below_is_taken(serve: Serve) -> None:
    page = serve(settings=Settings(photos=PhotoSettings(max_file_megabytes=0.02)))
    assert uploaded(page, "big.jpg", b"x" * 30_000).status_code == 413
    assert uploaded(page, "small.jpg", b"x" * 10_000).status_code == 200


def test_the_largest_photo_that_is_read_can_also_be_sent(tmp_path: Path) -> None:
    assert switches(Settings(), tmp_path)["max_file_size"] == 400_000_000


def test_pages_about_the_visitors_are_off(serve: Serve) -> None:
    page = serve()
    for path in ("monitoring", "gradio_api/monitoring", "gradio_api/runs", "gradio_api/mcp/sse"):
        assert get(page.url + path).status_code in {403, 404, 405}, path
    config = get(f"{page.url}config").json()
    assert config["analytics_enabled"] is False
    assert config["footer_links"] == []


def test_other_web_sites_cannot_use_the_page(serve: Serve) -> None:
    page = serve()
    answer = get(f"{page.url}config", headers={"Origin": "https://elsewhere.example"})
    assert "access-control-allow-origin" not in answer.headers


def test_the_environment_cannot_open_the_page(
    serve: Serve, monkeypatch: pytest.MonkeyPatch, addresses: list[str]
) -> None:
    for name, value in {
        "GRADIO_SERVER_NAME": "0.0.0.0",  # noqa: S104
        "GRADIO_SHARE": "true",
        "GRADIO_ALLOWED_PATHS": "/etc",
        "GRADIO_ANALYTICS_ENABLED": "True",
        "GRADIO_MCP_SERVER": "true",
        "GRADIO_SSR_MODE": "true",
        "GRADIO_RUN_HISTORY": "true",
        "HTTP_PROXY": "http://192.0.2.1:3128",
    }.items():
        monkeypatch.setenv(name, value)
    page = serve()
    assert page.url.startswith("http://127.0.0.1:")
    assert page.app.server_name == "127.0.0.1"
    assert page.app.share is False
    assert served(page, "/etc/passwd") == 403
    assert set(addresses) <= {"127.0.0.1", "localhost"}


@pytest.mark.usefixtures("_loops_closed")
def test_every_event_that_computes_waits_for_the_others(tmp_path: Path) -> None:
    app = build_app(Settings(), lambda: CLASSIFIER, work_folder=tmp_path)
    heavy = {
        event.api_name: (event.concurrency_id, event.concurrency_limit)
        for event in app.fns.values()
        if event.concurrency_id == "heavy"
    }
    photo = {"take_photo", "check_photo", "judge_mark", "show_heat", "find_rounds", "take_scale"}
    assert set(heavy) == photo | {"scan_folder", "scan_photos"} | {
        "add_to_album",
        "label_next",
        "adapt",
    }
    assert set(heavy.values()) == {("heavy", 1)}
    assert app._queue.max_size == page_app.QUEUE_PLACES


def test_in_a_network_the_page_asks_for_a_password_and_offers_no_folder(serve: Serve) -> None:
    page = serve(lan_password=PASSWORD)
    local = httpx.Client(base_url=f"http://127.0.0.1:{page.app.server_port}/", timeout=PATIENCE_S)
    assert local.get("config").status_code == 401
    wrong = {"username": words.LAN_USER, "password": "snail"}
    assert local.post("login", data=wrong).status_code == 400
    right = {"username": words.LAN_USER, "password": PASSWORD}
    assert local.post("login", data=right).status_code == 200
    config = local.get("config")
    assert config.status_code == 200
    assert "night-folder" not in config.text
    assert "scan_folder" not in config.text
    assert "scan_photos" in config.text
    assert "night-lesson" not in config.text
    for name in ("add_to_album", "label_next", "close-up-lesson"):
        assert name in config.text
    assert "on the computer that runs this page" in config.text
    assert "your album on this computer" not in config.text
    local.close()


def test_a_photo_is_added_to_the_album_and_asked_about_through_the_server(
    serve: Serve, connect: Any, photo_file: Path, tmp_path: Path
) -> None:
    page = serve()
    assert not (tmp_path / "album").exists()
    client = connect(page)
    said = client.predict([handle_file(photo_file)], "Moss", "Ida", api_name="/add_to_album")
    assert "2 pictures from 1 photo came into the album." in str(said)
    assert "data-crop=" in str(client.predict(api_name="/label_next"))
    assert not list((page.work / "sent").rglob("evening*"))
    assert not list((page.work / "kept").rglob("evening*"))
    (kept,) = [path for path in (tmp_path / "album").rglob("*.jpg") if path.is_file()]
    assert served(page, kept) == 403
    assert served(page, tmp_path / "album" / "pestvision.db") == 403


def test_on_this_computer_the_page_offers_a_folder(serve: Serve) -> None:
    config = get(f"{serve().url}config").text
    assert "night-folder" in config
    assert "scan_folder" in config


@pytest.fixture
def data_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, _loops_closed: None) -> Path:
    monkeypatch.setattr(platformdirs, "user_data_path", lambda *_a, **_k: tmp_path / "data")
    return tmp_path / "data" / "page"


@pytest.mark.parametrize("password", ["", "snail", "1234567"])
def test_a_short_password_is_refused(password: str) -> None:
    with pytest.raises(ConfigError, match="at least 8"):
        run_page(lan_password=password, open_browser=False)


@pytest.mark.parametrize("port", [0, 80, 65536, -1])
def test_a_port_that_no_page_can_use_is_refused(port: int) -> None:
    with pytest.raises(ConfigError, match="is not a port"):
        run_page(port=port, open_browser=False)


def test_a_port_in_use_gets_one_sentence_and_leaves_nothing(data_folder: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(ConfigError, match=f"Port {port} cannot be used"):
            run_page(port=port, open_browser=False)
    assert not list(data_folder.iterdir())


def test_the_page_runs_until_it_is_stopped_and_then_clears_up(
    data_folder: Path, monkeypatch: pytest.MonkeyPatch, photo_file: Path
) -> None:
    said: list[str] = []
    opened: list[str] = []

    def visit() -> None:
        url = said[0].split()[4]
        assert get(url).status_code == 200
        answer = post(
            f"{url}gradio_api/upload", files={"files": ("a.jpg", photo_file.read_bytes())}
        )
        assert Path(answer.json()[0]).is_relative_to(data_folder)

    monkeypatch.setattr(page_server, "_wait_for_stop", visit)
    monkeypatch.setattr(page_server.webbrowser, "open", opened.append)
    run_page(tell=said.append)
    assert said[-1] == words.STOPPED
    assert opened == [said[0].split()[4]]
    assert not list(data_folder.iterdir())


def test_folders_left_by_a_page_that_was_killed_are_cleared_after_a_week(tmp_path: Path) -> None:
    old, young, other = tmp_path / "run-old", tmp_path / "run-young", tmp_path / "mine"
    for folder in (old, young, other):
        folder.mkdir()
    long_ago_s = time.time() - 8 * 86400
    os.utime(old, (long_ago_s, long_ago_s))
    os.utime(other, (long_ago_s, long_ago_s))
    work = make_work_folder(tmp_path)
    assert not old.exists()
    assert young.exists()
    assert other.exists()
    assert {path.name for path in work.iterdir()} == {"sent", "kept", "reports"}


def test_a_place_that_cannot_be_written_to_gets_one_sentence(tmp_path: Path) -> None:
    blocking = tmp_path / "file"
    blocking.write_text("")
    with pytest.raises(OutputError, match="cannot be written to"):
        make_work_folder(blocking / "page")


def test_the_toolkits_version_is_one_that_the_switches_were_tried_with() -> None:
    assert gr.__version__.split(".")[0] == "6"


def test_a_port_that_is_taken_is_passed_over() -> None:
    free = page_server._first_free_port()
    with socket.socket() as taken:
        # as a server does: a connection that closed a moment ago does not hold the port
        taken.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        taken.bind(("127.0.0.1", free))
        taken.listen()
        assert page_server._first_free_port() > free
