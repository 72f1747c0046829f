"""What comes from elsewhere, is too large, malformed or too much at once is refused, and the page
stays alive."""

from __future__ import annotations

import asyncio
import contextlib
import http.client
import json
import os
import signal
import socket
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest

from sonify.studio.jobs import LEFT_AFTER_S, MADE_FOR_S, MAX_MADE, Job, Jobs
from sonify.studio.run import listen
from tests.studio.conftest import LONGEST_S, ROOT, Studio, begin


@pytest.fixture(autouse=True)
def _alive_after(studio: Studio) -> Any:
    yield
    assert studio.ask("GET", "/").status == 200
    assert studio.post("/api/show", studio.start_document()).status == 200


def dropped(name: str, data: bytes, setup: dict[str, Any] | None = None) -> bytes:
    head = json.dumps({"name": name, "setup": setup or {}}).encode()
    return struct.pack("<I", len(head)) + head + data


OCTETS = {"content-type": "application/octet-stream"}


@pytest.mark.parametrize(
    "host",
    ["evil.example", "evil.example:80", "127.0.0.1", "127.0.0.1:1", "localhost.evil.example", ""],
)
def test_a_host_that_is_not_ours_is_misdirected(studio: Studio, host: str) -> None:
    for path in ("/", "/api/start", "/main.js"):
        assert studio.ask("GET", path, headers={"host": host}).status == 421


def test_two_host_headers_are_refused(studio: Studio) -> None:
    name, port = studio.host.split(":")
    with socket.create_connection((name, int(port))) as line:
        line.sendall(
            f"GET / HTTP/1.1\r\nHost: {studio.host}\r\nHost: evil.example\r\n\r\n".encode()
        )
        assert line.recv(100).split()[1] in (b"400", b"421")


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "https://{}", "http://{}.x"])
def test_an_origin_that_is_not_ours_is_forbidden(studio: Studio, origin: str) -> None:
    headers = {"origin": origin.format(studio.host)}
    assert studio.post("/api/show", studio.start_document(), headers).status == 403
    assert studio.ask("GET", "/api/start", headers=headers).status == 403
    assert studio.ask("DELETE", "/api/jobs/x", headers=headers).status == 403


def test_our_own_origin_is_welcome(studio: Studio) -> None:
    headers = {"origin": f"http://{studio.host}"}
    assert studio.post("/api/show", studio.start_document(), headers).status == 200
    assert studio.ask("GET", "/", headers={"host": studio.host.replace("127.0.0.1", "localhost")}
                      ).status == 200  # fmt: skip


def test_a_cross_site_fetch_is_forbidden(studio: Studio) -> None:
    headers = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "no-cors"}
    assert studio.ask("GET", "/api/start", headers=headers).status == 403


@pytest.mark.parametrize(
    "kind", ["text/plain", "application/x-www-form-urlencoded", "", "multipart/form-data"]
)
def test_what_a_plain_form_can_send_is_not_taken(studio: Studio, kind: str) -> None:
    body = json.dumps(studio.start_document()).encode()
    assert studio.ask("POST", "/api/show", body, {"content-type": kind}).status == 415


@pytest.mark.parametrize(
    "path",
    [
        "/../pyproject.toml", "/static/../server.py", "/..%2f..%2fpyproject.toml",
        "/%2e%2e/%2e%2e/etc/passwd", "//etc/passwd", "/fonts/../../server.py", "/server.py",
        "/api/jobs/../../x/file", "/api/disc/..%2f..%2fpyproject", "/api/disc/%2fetc%2fpasswd",
        "/fonts/", "/main.js%00.css", "/.env", "/api/nothing",
    ],
)  # fmt: skip
def test_traversal_finds_nothing(studio: Studio, path: str) -> None:
    got = studio.ask("GET", path)
    assert got.status == 404
    assert b"root:" not in got.body
    assert b"import" not in got.body


@pytest.mark.parametrize(
    ("body", "status"),
    [
        (b"", 400), (b"{", 400), (b"[]", 400), (b"null", 400), (b"\xff\xfe", 400),
        (b"[" * 100_000, 400), (b'{"disc": 5}', 422), (b'{"disc": {}}', 422),
        (b'{"disc": {"message": ""}}', 422), (b'{"disc": {"message": "A"}, "x": 1}', 422),
        (b'{"disc": {"message": "A"}, "setup": {"music": {"scale": "no"}}}', 422),
        (b'{"disc": {"message": "A"}, "setup": {"player": {"rpm": 1e999}}}', 422),
        (b'{"disc": {"message": "A"}, "setup": {"player": {"rpm": NaN}}}', 422),
        (b'{"disc": {"message": "A"}, "setup": {"music": {"voice": 5}}}', 422),
        (b'{"disc": {"message": "A"}, "setup": {"sound": {"soundfont": "/etc/passwd"}}}', 422),
        (b'{"disc": {"message": "A"}, "setup": {"player": {"matrix": {"letters": "/etc/x.ttf"}}}}',
         422),
        (b'{"disc": {"message": "A"}, "setup": {"music": {"voice": [{"rhythm": ['
         + b", ".join([b'{"rule": "echoes", "count": 8}'] * 9) + b"]}]}}}", 422),
        (b'{"disc": {"bits": ["' + b"1" * 300_000 + b'"]}, "setup": {"player": {"matrix": '
         b'{"width": 1, "height": 1024, "fill": "rolling"}}}}', 422),
        (b'{"disc": {"bits": ["01", "0"]}}', 422),
        (b'{"disc": {"message": "A", "layout": {"positions": 100000000}}}', 422),
    ],
)  # fmt: skip
def test_malformed_documents_get_one_line(studio: Studio, body: bytes, status: int) -> None:
    got = studio.ask("POST", "/api/show", body, {"content-type": "application/json"})
    assert got.status == status
    said = got.json["error"]
    assert said
    assert "\n" not in said
    assert "Traceback" not in said


def test_a_path_in_a_document_opens_no_file(studio: Studio, tmp_path: Path) -> None:
    secret = tmp_path / "secret.toml"
    secret.write_text('message = "SECRET"')
    start = studio.start_document()
    for wrong in ({"shipped": str(secret)}, {"presets": [str(secret)]}, {"name": str(secret)}):
        got = studio.post("/api/show", {**start, **wrong})
        assert b"SECRET" not in got.body
    assert studio.ask("GET", f"/api/disc/{str(secret).replace('/', '%2f')}").status == 404
    assert studio.post("/api/lay", {"setup": {}, "preset": str(secret)}).status == 422


@pytest.mark.parametrize("path", ["/api/show", "/api/notes", "/api/jobs", "/api/dice"])
def test_oversized_bodies_are_refused_before_they_are_read(studio: Studio, path: str) -> None:
    line = http.client.HTTPConnection(studio.host, timeout=LONGEST_S)
    line.putrequest("POST", path)
    line.putheader("content-type", "application/json")
    line.putheader("content-length", str(5 * 1024 * 1024))
    line.endheaders()
    assert line.getresponse().status == 413
    line.close()


def test_a_chunked_body_is_counted(studio: Studio) -> None:
    name, port = studio.host.split(":")
    with socket.create_connection((name, int(port))) as line:
        line.sendall(
            f"POST /api/show HTTP/1.1\r\nHost: {studio.host}\r\ncontent-type: application/json\r\n"
            "transfer-encoding: chunked\r\n\r\n".encode()
        )
        block = b"10000\r\n" + b" " * 0x10000 + b"\r\n"
        try:
            for _ in range(100):
                line.sendall(block)
        except OSError:
            pass
        line.settimeout(LONGEST_S)
        # it may be cut off before the answer has come through
        with contextlib.suppress(ConnectionResetError):
            assert line.recv(100).split()[1] == b"413"


def test_too_many_notes_at_once(studio: Studio) -> None:
    assert studio.post("/api/notes", {"notes": [[0, 60, 1.0]] * 65}).status == 422
    for wrong in ([[0, 60]], [[0, 600, 1]], [[500, 60, 1]], [[0, 60, -1]], [["a", 1, 1]], "x",
                  [[0, 60, 1e300]], [[0.5, 60, 1e9]]):  # fmt: skip
        assert studio.post("/api/notes", {"notes": wrong}).status == 422


def test_drops_are_looked_at_before_they_are_kept(studio: Studio) -> None:
    for body, status in (
        (b"", 400), (b"\xff\xff\xff\xff", 400), (struct.pack("<I", 2) + b"{}", 422),
        (dropped("x", b"data"), 422), (dropped("x.svg", b""), 422),
        (dropped("../../etc/x.svg", b"<svg"), 422), (dropped("x.exe", b"MZ"), 422),
        (dropped("x.svg", b"<svg xmlns='http://www.w3.org/2000/svg'/>"), 422),
        (dropped("x.toml", b"message = "), 422), (dropped("x.mid", b"MThd"), 422),
        (dropped("x.wav", b"RIFF"), 422), (dropped("x.npy", b"\x93NUMPY"), 422),
        (dropped("x.toml", b'[player.matrix]\nletters = "/etc/hostname"'), 422),
    ):  # fmt: skip
        got = studio.ask("POST", "/api/drop", body, OCTETS)
        assert got.status == status, (body[:60], got.body)
        assert "/tmp" not in got.json["error"]
        assert "\n" not in got.json["error"]


def test_a_drawing_with_outside_entities_reads_no_file(studio: Studio) -> None:
    svg = (
        b'<?xml version="1.0"?><!DOCTYPE svg [<!ENTITY x SYSTEM "file:///etc/passwd">]>'
        b'<svg xmlns="http://www.w3.org/2000/svg"><text>&x;</text></svg>'
    )
    got = studio.ask("POST", "/api/drop", dropped("x.svg", svg), OCTETS)
    assert got.status == 422
    assert b"root:" not in got.body


def test_sixty_four_at_once(studio: Studio) -> None:
    start = studio.start_document()

    def one(k: int) -> int:
        match k % 4:
            case 0:
                return studio.post("/api/show", start).status
            case 1:
                return studio.ask("GET", "/", headers={"host": "evil.example"}).status
            case 2:
                return studio.ask("POST", "/api/show", b"{", {"content-type": "application/json"}
                                  ).status  # fmt: skip
            case _:
                return studio.post("/api/notes", {"notes": [[k, 60, 0.5]]}).status

    with ThreadPoolExecutor(64) as pool:
        got = list(pool.map(one, range(64)))
    for k, status in enumerate(got):
        assert status in ((200, 503), (421,), (400,), (200, 503))[k % 4]
    assert got.count(200) >= 20


def test_a_hundred_open_pages_and_slow_clients_do_not_stop_it(studio: Studio) -> None:
    name, port = studio.host.split(":")
    lines = []
    for k in range(160):
        line = socket.create_connection((name, int(port)))
        if k % 4 == 0:  # a header that never ends
            line.sendall(b"GET / HTTP/1.1\r\nHos")
        elif k % 4 == 1:  # a body that never comes
            line.sendall(
                f"POST /api/show HTTP/1.1\r\nHost: {studio.host}\r\n"
                "content-type: application/json\r\ncontent-length: 999\r\n\r\n{".encode()
            )
        elif k % 4 == 2:  # an answer that is never read
            line.sendall(f"GET /main.js HTTP/1.1\r\nHost: {studio.host}\r\n\r\n".encode())
        lines.append(line)
    try:
        for _ in range(5):
            assert studio.post("/api/show", studio.start_document()).status == 200
    finally:
        for line in lines:
            line.close()


def until(what: Callable[[], Any]) -> Any:
    """Wait until something is there or so."""
    end = time.monotonic() + LONGEST_S
    while not (got := what()):
        assert time.monotonic() < end
        time.sleep(0.05)
    return got


def started(studio: Studio, what: str = "sound", suffix: str = ".wav") -> str:
    document = studio.start_document()
    document["disc"] = {"message": "THE BELL RINGS EVERY QUARTER HOUR. " * 40}
    got = studio.post("/api/jobs", {"document": document, "what": what, "suffix": suffix})
    assert got.status == 202, got.body
    id: str = got.json["id"]
    return id


def test_jobs_can_be_cancelled_and_end_with_their_process(studio: Studio) -> None:
    id = started(studio)
    assert studio.ask("GET", f"/api/jobs/{id}").json["state"] in ("waiting", "working", "done")
    assert studio.ask("DELETE", f"/api/jobs/{id}").status == 204
    assert studio.ask("GET", f"/api/jobs/{id}").status == 404
    assert studio.ask("GET", f"/api/jobs/{id}/file").status == 404
    assert not workers(studio)


def workers(studio: Studio) -> list[str]:
    """Command lines of the studio's own child processes, without one that waits for quick jobs."""
    out = []
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            if int(path.read_text().rpartition(")")[2].split()[1]) == studio.process.pid:
                out.append((path.parent / "cmdline").read_text())
        except (OSError, ValueError, IndexError):
            continue
    return [c for c in out if "sonify.studio.job" in c and not c.endswith("sonify.studio.job\0")]


def test_a_job_that_is_left_is_cancelled() -> None:
    own = begin("cairn-small", before="from sonify.studio import jobs; jobs.LEFT_AFTER_S = 2.0")
    try:
        id = started(own, "clip", ".mp4")
        assert own.folder is not None
        (home,) = own.folder.glob("sonify-studio-*")
        # the clip would take minutes
        until(lambda: not (home / id).exists())
        assert not workers(own)
        assert own.ask("GET", f"/api/jobs/{id}").status == 404
    finally:
        own.stop()


def test_more_jobs_than_there_is_room_for_are_refused(studio: Studio) -> None:
    ids, last = [], 202
    document = studio.start_document()
    for _ in range(40):
        got = studio.post("/api/jobs", {"document": document, "what": "lights", "suffix": ".gif"})
        last = got.status
        if last != 202:
            break
        ids.append(got.json["id"])
    assert last == 429
    with ThreadPoolExecutor(8) as pool:
        assert set(pool.map(lambda i: studio.ask("DELETE", f"/api/jobs/{i}").status, ids)) == {204}


def test_files_that_were_made_leave_room_for_others(tmp_path: Path) -> None:
    async def made() -> None:
        jobs = Jobs(tmp_path)

        async def run(job: Job) -> None:
            job.state = "done"

        jobs._run = run  # type: ignore[method-assign]
        ids = []
        for _ in range(MAX_MADE + 6):
            job = jobs.start({"kind": "download"}, 1.0)
            assert job.task is not None
            await job.task
            job.asked -= 10 * LEFT_AFTER_S  # its page sleeps
            ids.append(job.id)
        await jobs.tidy()
        assert [id for id in ids if jobs.get(id)] == ids[6:]
        jobs.get(ids[-1]).asked -= 2 * MADE_FOR_S  # type: ignore[union-attr]
        await jobs.tidy()
        assert jobs.get(ids[-1]) is None

    with ThreadPoolExecutor(1) as pool:  # a browser's loop may run in this thread
        pool.submit(asyncio.run, made()).result()


def test_unknown_outputs_are_refused(studio: Studio) -> None:
    document = studio.start_document()
    for what, suffix in (("midi", ".exe"), ("none", ".mid"), ("midi", "/../x"), ("", "")):
        body = {"document": document, "what": what, "suffix": suffix}
        assert studio.post("/api/jobs", body).status == 422


def test_methods_that_are_not_offered(studio: Studio) -> None:
    assert studio.ask("PUT", "/api/show", b"{}", {"content-type": "application/json"}).status == 405
    assert studio.ask("GET", "/api/show").status == 405
    assert studio.ask("OPTIONS", "/api/show", headers={"content-type": "application/json"}
                      ).status == 405  # fmt: skip


def test_policy_is_strict(studio: Studio) -> None:
    for path in ("/", "/main.js", "/api/start", "/api/nothing"):
        headers = studio.ask("GET", path).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert "*" not in policy
        assert "http" not in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["cross-origin-resource-policy"] == "same-origin"
        assert "access-control-allow-origin" not in headers


def test_ctrl_c_ends_it_at_once_and_leaves_nothing() -> None:
    own = begin("cairn-small")
    started(own)
    name, port = own.host.split(":")
    open_line = socket.create_connection((name, int(port)))
    until(lambda: workers(own))
    assert own.folder is not None
    folders = list(own.folder.glob("sonify-studio-*"))
    own.process.send_signal(signal.SIGINT)
    assert own.process.wait(LONGEST_S) == 0
    open_line.close()
    assert own.process.stderr is not None
    assert "Traceback" not in own.process.stderr.read()
    assert len(folders) == 1
    assert not folders[0].exists()
    assert not workers(own)


def test_a_quick_job_goes_to_the_process_of_the_last_one() -> None:
    own = begin("cairn-small")

    def waiting() -> list[int]:
        found = []
        for path in Path("/proc").glob("[0-9]*/cmdline"):
            with contextlib.suppress(OSError):
                stat = (path.parent / "stat").read_text().rpartition(")")[2].split()
                if int(stat[1]) == own.process.pid and b"sonify.studio.job" in path.read_bytes():
                    found.append(int(path.parent.name))
        return found

    try:
        draft = {"document": own.start_document(), "what": "midi", "suffix": ".mid"}
        first = own.post("/api/draft", draft)
        assert "notes" in first.json["text"]
        (process,) = waiting()
        wrong = own.post("/api/draft", {**draft, "what": "none"})
        assert "about" in wrong.json
        assert own.post("/api/draft", draft).json == first.json
        assert waiting() == [process]
    finally:
        own.stop()
    assert not waiting()


def test_loopback_only_unless_told_otherwise(studio: Studio) -> None:
    port = int(studio.host.split(":")[1])
    listens = set()
    for line in Path("/proc/net/tcp").read_text().splitlines()[1:]:
        address, place = line.split()[1].split(":")
        if int(place, 16) == port and line.split()[3] == "0A":
            listens.add(address)
    assert listens == {"0100007F"}


def test_elsewhere_a_token_is_needed() -> None:
    own = begin("cairn-small", "--host", "0.0.0.0")
    try:
        port = urlsplit(own.address).port
        token = parse_qs(urlsplit(own.address).query)["token"][0]
        assert len(token) >= 22
        own.address = f"http://127.0.0.1:{port}/"
        assert own.ask("GET", "/").status == 401
        assert own.ask("GET", "/?token=wrong").status == 401
        assert own.ask("GET", f"/api/start?token={token}").status == 401
        assert own.post("/api/show", {}).status == 401
        let_in = own.ask("GET", f"/?token={token}")
        assert let_in.status == 303
        assert let_in.headers["location"] == "/"
        cookie = let_in.headers["set-cookie"]
        assert "HttpOnly" in cookie
        assert "samesite=strict" in cookie.lower()
        own.headers["cookie"] = cookie.split(";")[0]
        assert own.ask("GET", "/").status == 200
        assert own.post("/api/show", own.start_document()).status == 200
        assert own.ask("GET", "/", headers={"host": f"evil.example:{port}"}).status == 421
    finally:
        own.stop()


def test_a_port_that_is_taken_is_one_line() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        got = subprocess.run(
            [sys.executable, "-m", "sonify", "studio", "--no-open", "--port",
             str(taken.getsockname()[1])],
            capture_output=True, text=True, timeout=LONGEST_S, cwd=ROOT,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )  # fmt: skip
    assert got.returncode == 1
    assert "can't listen on" in got.stderr
    assert got.stderr.count("\n") == 1


def test_many_threads_asking_do_not_mix_answers(studio: Studio) -> None:
    start = studio.start_document()
    seen: dict[int, str] = {}

    def one(k: int) -> None:
        text = f"NOTE NUMBER {k}"
        got = studio.post("/api/show", {**start, "disc": {"message": text}})
        size = int.from_bytes(got.body[:4], "little")
        seen[k] = json.loads(got.body[4 : 4 + size])["message"]

    threads = [threading.Thread(target=one, args=(k,)) for k in range(24)]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    assert seen == {k: f"NOTE NUMBER {k}" for k in range(24)}


ODD: tuple[Any, ...] = (
    None, True, 0, -1, 1e308, "", "x" * 5000, [], [[]], [None], {}, {"": None}, {"a": {"b": [{}]}},
)  # fmt: skip


def test_odd_values_never_break_an_answer(studio: Studio) -> None:
    start = studio.start_document()
    voice = start["setup"]["music"]["voice"][0]
    for odd in ODD:
        bodies = [
            ("/api/show", {**start, key: odd})
            for key in ("disc", "setup", "name", "shipped", "presets", "muted", "fit")
        ]
        bodies += [
            ("/api/show", {**start, "disc": {key: odd}}) for key in ("message", "bits", "layout")
        ]
        bodies += [
            ("/api/show", {**start, "setup": {"music": {"voice": [{**voice, key: odd}]}}})
            for key in ("pitch", "rhythm", "program", "drum", "source", "curves", "rows", "name")
        ]
        bodies += [
            ("/api/show", {**start, "setup": {section: {key: odd}}})
            for section, key in (
                ("music", "scale"), ("music", "root"), ("music", "step"), ("music", "metre"),
                ("player", "matrix"), ("light", "background"), ("sound", "loudness"),
                ("clip", "views"),
            )
        ]  # fmt: skip
        bodies += [
            ("/api/notes", {"notes": odd}),
            ("/api/lay", {"setup": odd, "preset": "music-box"}),
            ("/api/lay", {"setup": {"music": odd, "player": odd}, "preset": "quick"}),
            ("/api/lay", {"setup": {}, "preset": odd}),
            ("/api/dice", {"setup": odd, "seed": 1}),
            ("/api/dice", {"setup": {"music": odd}, "seed": 1, "locks": ["voices"]}),
            ("/api/dice", {"setup": {}, "seed": odd, "locks": odd}),
            ("/api/value", {"text": odd}),
            ("/api/jobs", {"document": odd, "what": odd, "suffix": odd}),
            ("/api/flash", {"disc": odd}),
        ]
        for path, body in bodies:
            got = studio.post(path, body)
            assert got.status in (200, 400, 422), (path, body, got.status)
            if got.status == 422:
                assert "\n" not in got.json["error"], (path, got.json)


def test_answers_do_not_wait_for_acknowledgements() -> None:
    with listen("127.0.0.1", 0) as door, socket.create_connection(door.getsockname()):
        taken, _ = door.accept()
        with taken:
            assert taken.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
