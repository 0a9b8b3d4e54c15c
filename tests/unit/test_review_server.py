"""The server answers its own page only, and gives nothing but what the page needs."""

from __future__ import annotations

import http.client
import json
import shutil
import socket
import threading

import pytest

from lampwalk.errors import OutputError
from lampwalk.review import Server, Session
from lampwalk.review.server import MOST_BYTES


@pytest.fixture(scope="module")
def server(small_run, tmp_path_factory):
    folder = tmp_path_factory.mktemp("runs") / "run"
    shutil.copytree(small_run.folder, folder)
    server = Server(Session(folder))
    thread = threading.Thread(target=server.serve)
    thread.start()
    yield server
    server.stop()
    thread.join(60)
    assert not thread.is_alive()


def ask(server, path, *, method="GET", body=None, token=None, **headers):
    """Send a request; header names with _ for -. Gives status, headers, body."""
    link = http.client.HTTPConnection("127.0.0.1", server.port, timeout=120)
    given = {name.replace("_", "-"): value for name, value in headers.items()}
    given.setdefault("Host", f"127.0.0.1:{server.port}")
    try:
        link.putrequest(method, f"/{server.token if token is None else token}/{path}", skip_host=True)
        for name, value in given.items():
            link.putheader(name, value)
        if body is not None and "Content-Length" not in given:
            link.putheader("Content-Length", str(len(body)))
        link.endheaders(body)
        answer = link.getresponse()
        return answer.status, dict(answer.getheaders()), answer.read()
    finally:
        link.close()


def post(server, path, data, **headers):
    headers.setdefault("Origin", f"http://127.0.0.1:{server.port}")
    headers.setdefault("Content_Type", "application/json")
    body = data if isinstance(data, bytes) else json.dumps(data).encode()
    return ask(server, path, method="POST", body=body, **headers)


def test_the_page_and_its_parts_are_served(server):
    status, headers, body = ask(server, "")
    assert status == 200
    assert b"<!doctype html>" in body
    for name in ("main.js", "viewer.js", "look.css", "lamp.svg"):
        assert ask(server, f"assets/{name}")[0] == 200
    assert headers["Content-Security-Policy"].startswith("default-src 'none'; script-src 'self'")
    assert "unsafe" not in headers["Content-Security-Policy"]
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Referrer-Policy"] == "no-referrer"
    assert "Access-Control-Allow-Origin" not in headers


def test_it_listens_on_this_machine_only(server):
    assert server._http.server_address[0] == "127.0.0.1"
    assert server.address.startswith("http://127.0.0.1:")
    assert len(server.token) >= 32


@pytest.mark.parametrize("token", ["", "x", "a" * 32, "..", "%00"])
def test_without_the_token_there_is_no_answer(server, token):
    status, _, body = ask(server, "news?serial=-1", token=token)
    assert status == 403
    assert b"frames" not in body


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1", "127.0.0.1:1", "localhost.evil.example:80", ""])
def test_another_host_name_is_refused(server, host):
    """DNS rebinding: a foreign name that leads to 127.0.0.1."""
    assert ask(server, "", Host=host)[0] == 403


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "http://127.0.0.1:1", "https://localhost"])
def test_another_origin_is_refused(server, origin):
    assert post(server, "change", {"do": "undo"}, Origin=origin)[0] == 403
    assert ask(server, "result", Origin=origin)[0] == 403
    assert ask(server, "result", Sec_Fetch_Site="cross-site")[0] == 403


def test_changes_need_an_origin(server):
    status, _, _ = ask(server, "merge", method="POST", body=b"{}", Content_Type="application/json")
    assert status == 403


@pytest.mark.parametrize(
    "path",
    [
        "assets/../session.py", "assets/%2e%2e/session.py", "../worksheet.json", "worksheet.json",
        "masks/04.png", "assets/", "assets/export.html", "small/00.jpg.tif", "etc/passwd", "//etc/passwd",
        "frame?frame=../worksheet.json", "frame?frame=%2Fetc%2Fpasswd", "frame?frame=", "mask",
        "thumb?frame=x.jpg",
    ],
)  # fmt: skip
def test_only_what_the_page_needs_is_served(server, path):
    assert ask(server, path)[0] == 404


def test_pictures_are_pictures(server):
    jpeg, png = b"\xff\xd8", b"\x89PNG"
    for path, start in [
        ("result", jpeg),
        ("unhidden", jpeg),
        ("coverage", png),
        ("frame?frame=03.jpg", jpeg),
        ("thumb?frame=03.jpg", jpeg),
        ("light?frame=03.jpg", jpeg),
        ("mask?frame=03.jpg", png),
        ("window?frame=&r0=10&c0=20&r1=110&c1=220", jpeg),
        ("window?frame=03.jpg&r0=10&c0=20&r1=110&c1=220", jpeg),
    ]:
        status, _, body = ask(server, path)
        assert (status, body[: len(start)]) == (200, start), path
    assert ask(server, "window?frame=&r0=0&c0=0&r1=99999999&c1=-5")[0] == 422
    assert ask(server, "window?frame=&r0=a&c0=0&r1=9&c1=5")[0] == 400


@pytest.mark.parametrize(
    ("body", "headers", "status"),
    [
        (b"x" * 10, {"Content_Length": str(MOST_BYTES + 1)}, 413),
        (b"{}", {"Content_Length": "-1"}, 411),
        (b"{}", {"Content_Length": "two"}, 411),
        (b"{", {}, 400),
        (b"[" * 100_000, {}, 400),
        (b"[]", {}, 400),
        (b"\xff", {}, 400),
        (b"{}", {"Content_Type": "text/plain"}, 415),
        (b"{}", {"Content_Type": "application/x-www-form-urlencoded"}, 415),
    ],
)
def test_bad_bodies_are_refused(server, body, headers, status):
    assert post(server, "change", body, **headers)[0] == status
    assert ask(server, "")[0] == 200


def test_a_change_is_carried_out_and_a_stale_one_is_not(server):
    state = json.loads(ask(server, "news?serial=-1&page=t")[2])
    request = {"do": "lamp", "frame": "05.jpg", "on": False, "seen": state["revision"]}
    status, _, body = post(server, "change", request)
    assert status == 200
    done = json.loads(body)
    assert not next(f for f in done["state"]["frames"] if f["file"] == "05.jpg")["on"]
    assert post(server, "change", request)[0] == 409
    status, _, body = post(server, "change", {"do": "lamp", "frame": "05.jpg", "gain_ev": 99, "seen": done["revision"]})
    assert status == 422
    assert "gain_ev" in json.loads(body)["error"]
    assert post(server, "change", {"do": "undo", "seen": done["revision"]})[0] == 200


def test_a_taken_port_is_said(server, small_run):
    session = Session(small_run.folder)
    with pytest.raises(OutputError, match="free one"):
        Server(session, port=server.port)
    with pytest.raises(OutputError):
        Server(session, port=99_999)


def test_a_broken_connection_does_no_harm(server):
    with socket.create_connection(("127.0.0.1", server.port)) as link:
        link.sendall(b"GET /" + b"a" * 100 + b"\r\n\r\n")
    with socket.create_connection(("127.0.0.1", server.port)) as link:
        link.sendall(b"POST /x/ HTTP/1.1\r\nContent-Length: 5\r\n")
    assert ask(server, "")[0] == 200
