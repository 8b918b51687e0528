"""The desk's gate: nothing without the cookie, nothing from elsewhere."""

import asyncio

import pytest

from vidspeed.desk.guard import Guard, cookie_name

TOKEN = "t" * 43
COOKIE = cookie_name(5000)
HOME = (b"host", b"127.0.0.1:5000")
KNOWN = (b"cookie", f"{COOKIE}={TOKEN}".encode())


def asked(*headers, kind="http", path="/", query=b"", method="GET"):
    """Ask the gate, and return whether it let through and what it answered itself."""
    sent, reached = [], []

    async def app(scope, receive, send):
        reached.append(scope["path"])
        await send({"type": "http.response.start", "status": 200, "headers": []})

    async def send(message):
        sent.append(message)

    scope = {
        "type": kind, "path": path, "query_string": query, "headers": list(headers),
        "method": method,
    }  # fmt: skip
    asyncio.run(Guard(app, token=TOKEN, port=5000)(scope, None, send))
    return bool(reached), sent[0]


def test_the_token_goes_from_the_address_into_a_cookie():
    reached, answer = asked(HOME, query=f"token={TOKEN}&a=1".encode())
    headers = dict(answer["headers"])
    assert not reached and answer["status"] == 303
    assert headers[b"location"] == b"/?a=1"
    cookie = headers[b"set-cookie"].decode()
    assert cookie.startswith(f"{COOKIE}={TOKEN};")
    assert "HttpOnly" in cookie and "SameSite=Strict" in cookie


@pytest.mark.parametrize("kind", ["http", "websocket"])
@pytest.mark.parametrize(
    "headers",
    [
        (HOME,),
        (HOME, (b"cookie", f"{COOKIE}=wrong".encode())),
        (HOME, (b"cookie", b"\xff;;=")),
        ((b"host", b"evil.example"), KNOWN),
        ((b"host", b"127.0.0.1:5001"), KNOWN),
        (KNOWN,),
        (HOME, KNOWN, (b"origin", b"http://evil.example")),
        (HOME, KNOWN, (b"origin", b"null")),
        (HOME, (b"cookie", f"{cookie_name(5001)}={TOKEN}".encode())),
    ],
)
def test_others_are_refused(kind, headers):
    reached, answer = asked(*headers, kind=kind)
    assert not reached
    if kind == "http":
        assert answer["status"] in (401, 403)
    else:
        assert answer["type"] == "websocket.close" and answer["code"] == 1008


def test_what_changes_something_and_sockets_must_say_where_they_come_from():
    own = (b"origin", b"http://127.0.0.1:5000")
    for kind, method in (("http", "POST"), ("http", "PUT"), ("websocket", "GET")):
        assert not asked(HOME, KNOWN, kind=kind, method=method)[0]
        assert asked(HOME, KNOWN, own, kind=kind, method=method)[0]
    assert asked(HOME, KNOWN)[0]


def test_a_wrong_token_in_the_address_opens_nothing():
    reached, answer = asked(HOME, query=b"token=wrong")
    assert not reached and answer["status"] == 401
    reached, _ = asked(HOME, query=f"token={TOKEN}".encode(), method="POST")
    assert not reached


@pytest.mark.parametrize("kind", ["http", "websocket"])
def test_the_desks_own_page_is_let_through(kind):
    reached, answer = asked(HOME, KNOWN, (b"origin", b"http://127.0.0.1:5000"), kind=kind)
    assert reached
    assert (b"x-content-type-options", b"nosniff") in answer["headers"]


def test_the_address_after_the_token_stays_on_this_machine():
    _, answer = asked(HOME, path="//evil.example/x", query=f"token={TOKEN}".encode())
    assert dict(answer["headers"])[b"location"] == b"/evil.example/x"
