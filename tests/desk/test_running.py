"""The desk as it runs: who is let in by page, upload and socket, and that nothing lies outside."""

import http.client
from urllib.parse import quote

import pytest

from tests.desk.daylight import session_without_picks
from tests.desk.serving import served
from tests.tiny import files_of

SOCKET = "/_nicegui_ws/socket.io/?EIO=4&transport="
UPGRADE = {
    "Connection": "Upgrade", "Upgrade": "websocket", "Sec-WebSocket-Version": "13",
    "Sec-WebSocket-Key": "dGhlIHNhbXBsZSBub25jZQ==",
}  # fmt: skip


class Desk:
    """A desk that runs, asked without a browser."""

    def __init__(self, address):
        self.port = int(address.partition("?")[0].rstrip("/").rpartition(":")[2])
        self.own = {"Origin": f"http://127.0.0.1:{self.port}"}
        status, headers, _ = self.ask("GET", "/?" + address.partition("?")[2], known=False)
        assert status == 303 and headers["location"] == "/"
        self.cookie = headers["set-cookie"].partition(";")[0]

    def ask(self, method, path, headers=None, *, known=True, body=None):
        sent = {"Host": f"127.0.0.1:{self.port}", **(headers or {})}
        if known:
            sent["Cookie"] = self.cookie
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=300)
        try:
            connection.request(method, path, body=body, headers=sent)
            answer = connection.getresponse()
            text = b"" if answer.status == 101 else answer.read()
            return answer.status, {key.lower(): value for key, value in answer.getheaders()}, text
        finally:
            connection.close()


@pytest.fixture(scope="module")
def desk(tmp_path_factory):
    folder = session_without_picks(tmp_path_factory.mktemp("outside"))
    session = folder / "session"
    session.mkdir()
    for path in [path for path in folder.iterdir() if path.is_file()]:
        path.rename(session / path.name)
    (folder / "secret.png").write_bytes((session / "still-north.png").read_bytes())
    with served(session) as address:
        yield Desk(address), session


def test_without_the_cookie_or_from_elsewhere_nothing_is_answered(desk):
    running, _ = desk
    foreign = {"Origin": "http://evil.example"}
    for path in ("/", "/setup", "/clips", "/still/0.png", "/survey.png", "/desk/desk.css"):
        assert running.ask("GET", path)[0] == 200, path
        assert running.ask("GET", path, known=False)[0] == 401
        assert running.ask("GET", path, foreign)[0] == 403
        assert running.ask("GET", path, {"Host": f"evil.example:{running.port}"})[0] == 403
        assert running.ask("GET", path, {"Host": "127.0.0.1"})[0] == 403
    assert running.ask("GET", "/?token=wrong", known=False)[0] == 401


def test_no_socket_opens_without_the_cookie_or_from_elsewhere(desk):
    running, _ = desk
    foreign = {"Origin": "http://evil.example"}
    for transport, headers in (("websocket", UPGRADE), ("polling", {})):
        path = SOCKET + transport
        assert running.ask("GET", path, {**headers, **running.own}, known=False)[0] in (401, 403)
        assert running.ask("GET", path, {**headers, **foreign})[0] == 403
        assert running.ask("GET", path, {**headers, "Origin": "null"})[0] == 403
        assert running.ask("POST", path, foreign, body=b"40")[0] == 403
        assert running.ask("POST", path, {}, body=b"40")[0] == 403
    assert running.ask("GET", SOCKET + "websocket", UPGRADE)[0] == 403
    assert running.ask("GET", SOCKET + "websocket", {**UPGRADE, **running.own})[0] == 101


@pytest.mark.parametrize(
    "path",
    [
        "/desk/../guard.py", "/desk/..%2fguard.py", "/desk/%2e%2e/%2e%2e/pyproject.toml",
        "/desk/guard.py", "/desk//etc/passwd", "/..%2f..%2fsecret.png", "/still/../secret.png",
        "/still/-1.png", "/still/7.png", "/picks/9", "/setup/camera/-1", "/setup/nothing",
        "/survey/..%2fsession.toml", "/survey/session.toml", "/clips/0", "/report.html",
    ],
)  # fmt: skip
def test_no_path_leads_out_of_the_desk(desk, path):
    status, _, text = desk[0].ask("GET", path)
    assert status in (404, 422) and b"PNG" not in text[:8]


def test_uploads_need_the_desks_own_page_and_stay_in_the_session(desk):
    running, session = desk
    outside = set(session.parent.iterdir())
    where = f"/upload/clip?camera=north&name={quote('../../../a<b>.mp4')}"
    assert running.ask("PUT", where, running.own, known=False, body=b"x")[0] == 401
    assert running.ask("PUT", where, {"Origin": "http://evil.example"}, body=b"x")[0] == 403
    assert running.ask("PUT", where, body=b"x")[0] == 403
    before = files_of(session)
    for name, camera in (("a.mp4", "nobody"), ("a.exe", "north"), ("session.toml", "north")):
        path = f"/upload/clip?camera={camera}&name={name}"
        assert running.ask("PUT", path, running.own, body=b"x")[0] == 422
    assert files_of(session) == before
    status, _, text = running.ask("PUT", where, running.own, body=b"x" * 3_000_000)
    assert status == 200 and b"clips/a_b_.mp4 is in the session" in text
    assert (session / "clips/a_b_.mp4").stat().st_size == 3_000_000
    assert set(session.parent.iterdir()) == outside
    assert 'file = "clips/a_b_.mp4"' in (session / "session.toml").read_text(encoding="utf-8")
    huge = {**running.own, "Content-Length": str(10**15)}
    assert running.ask("PUT", where, huge)[0] == 413
    assert (
        running.ask("PUT", "/upload/still?number=0&name=a.png", running.own, body=b"no")[0] == 422
    )
    assert not list(session.rglob("*.part"))


def test_a_picture_of_a_session_that_cannot_be_read_says_why(desk):
    running, session = desk
    text = (session / "session.toml").read_bytes()
    try:
        (session / "session.toml").write_bytes(b"title = \n")
        status, _, said = running.ask("GET", "/still/0.png")
    finally:
        (session / "session.toml").write_bytes(text)
    assert status == 422 and said.startswith(b"session.toml: line 1, title =: ")


def test_a_link_that_leads_out_of_the_session_takes_nothing_in(desk):
    running, session = desk
    (session.parent / "elsewhere").mkdir()
    try:
        (session / "chart").symlink_to(session.parent / "elsewhere", target_is_directory=True)
    except OSError:
        pytest.skip("links cannot be made here")
    answer = running.ask("PUT", "/upload/chart?number=0&name=a.png", running.own, body=b"x")
    assert answer[0] == 422 and b"leads out of the session" in answer[2]
    assert not list((session.parent / "elsewhere").iterdir())
