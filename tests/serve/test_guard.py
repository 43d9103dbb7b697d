"""Who gets in: the window that the address opened, and nobody else."""

from __future__ import annotations

from collections.abc import Mapping

import pytest
from serve_example import HOST, PORT, Browser, opened
from starlette.applications import Starlette
from starlette.responses import PlainTextResponse
from starlette.routing import Route

from otdravg.serve.guard import COOKIE, HEADERS, Guard, Keys
from otdravg.words import Language


def guarded() -> tuple[Browser, Keys]:
    """A guard in front of an application that answers everything."""

    async def answer(request: object) -> PlainTextResponse:
        return PlainTextResponse("let in")

    routes = [Route("/{path:path}", answer, methods=["GET", "POST", "PUT", "HEAD", "DELETE"])]
    keys = Keys()
    return Browser(Guard(Starlette(routes=routes), keys, PORT, lambda: Language.ENGLISH)), keys


def test_without_a_token_nothing_is_answered() -> None:
    client, _ = guarded()
    for path in ("/", "/state", "/?token=", "/?token=guess", "/static/page.js"):
        assert client.get(path).status_code == 403


def test_the_token_counts_once() -> None:
    client, keys = guarded()
    token = keys.token
    answer = client.get(f"/?token={token}")
    assert answer.status_code == 303
    assert answer.headers["location"] == "/"
    assert "HttpOnly" in answer.headers["set-cookie"]
    assert "samesite=strict" in answer.headers["set-cookie"].lower()
    assert client.get("/").text == "let in"
    other = Browser(client.app)
    assert other.get(f"/?token={token}").status_code == 403
    assert other.get("/", headers={"Cookie": f"{COOKIE}={token}"}).status_code == 403


def test_the_same_browser_may_open_the_address_again() -> None:
    """The cookie is there, so a second window of it needs no token."""
    client, keys = guarded()
    token = keys.token
    client.get(f"/?token={token}")
    assert client.get(f"/?token={token}").text == "let in"


@pytest.mark.parametrize(
    "headers",
    [
        {"Host": "rebound.example"},  # DNS rebinding: our address under another's name
        {"Host": f"rebound.example:{PORT}"},
        {"Host": f"127.0.0.1:{PORT + 1}"},
        {"Host": "127.0.0.1"},
        {"Host": ""},
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": f"https://{HOST}"},
        {"Origin": f"http://localhost:{PORT}"},  # not the host that is asked
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},  # another port of this machine
    ],
)
def test_others_are_refused_even_with_the_cookie(headers: Mapping[str, str]) -> None:
    client, keys = guarded()
    client.get(f"/?token={keys.token}")
    assert client.get("/state").status_code == 200
    assert client.get("/state", headers=headers).status_code == 403


def test_a_refused_request_leaves_the_token_unused() -> None:
    client, keys = guarded()
    token = keys.token
    assert client.get(f"/?token={token}", headers={"Host": "rebound.example"}).status_code == 403
    assert client.get(f"/?token={token}").status_code == 303


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE"])
def test_what_changes_something_names_its_origin(method: str) -> None:
    """A form of another site sends an origin; what sends none is no browser's page."""
    client, keys = guarded()
    client.get(f"/?token={keys.token}")
    assert client.request(method, "/look").status_code == 403
    own = client.request(method, "/look", headers={"Origin": f"http://{HOST}"})
    assert own.status_code == 200


def test_every_answer_is_closed_to_the_outside() -> None:
    client, keys = guarded()
    answers = [client.get("/"), client.get(f"/?token={keys.token}"), client.get("/state")]
    for answer in answers:
        for name, text in HEADERS.items():
            assert answer.headers[name] == text
    policy = HEADERS["Content-Security-Policy"]
    assert policy.startswith("default-src 'none'")
    assert "unsafe" not in policy


def test_a_helper_for_other_tests_gets_in() -> None:
    client, _ = opened()
    assert client.get("/state").json()["files"] == 0
