"""Who is let in: the desk's own page in this machine's browser, and nothing else that can be sent."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from densiscan.desk.guard import Guard

HOST = "127.0.0.1:8123"
ORIGIN = "http:" + f"//{HOST}"


async def _inside(scope: Any, _receive: Any, send: Any) -> None:
    assert scope["type"] == "http"
    await send({"type": "http.response.start", "status": 200, "headers": [(b"content-type", b"text/plain")]})
    await send({"type": "http.response.body", "body": b"in"})


def ask(
    guard: Guard, path: str = "/", *, method: str = "GET", query: str = "", **headers: str
) -> tuple[int, dict[str, str]]:
    """Send one request; return its status and headers."""
    told: list[Any] = []

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": b"", "more_body": False}

    async def send(message: Any) -> None:
        told.append(message)

    named = {"host": HOST} | {name.replace("_", "-"): value for name, value in headers.items()}
    scope = {
        "type": "http",
        "method": method,
        "path": path,
        "query_string": query.encode(),
        "headers": [(name.encode(), value.encode("latin-1", "replace")) for name, value in named.items()],
    }
    asyncio.run(guard(scope, receive, send))
    return told[0]["status"], {name.decode(): value.decode() for name, value in told[0]["headers"]}


def entered() -> tuple[Guard, str]:
    """Return a guard whose key was exchanged, and the cookie that it gave."""
    guard = Guard(_inside, port=8123)
    status, headers = ask(guard, query=guard.address.split("?")[1])
    assert (status, headers["location"]) == (303, "/")
    return guard, headers["set-cookie"]


def test_the_key_works_once_and_gives_a_cookie_that_scripts_cannot_read() -> None:
    guard = Guard(_inside, port=8123)
    query = guard.address.split("?")[1]
    status, headers = ask(guard, query=query)
    assert status == 303
    assert headers["set-cookie"].startswith("desk-8123=")
    assert {"HttpOnly", "SameSite=Strict", "Path=/"} <= set(headers["set-cookie"].split("; "))
    assert ask(guard, query=query)[0] == 403
    assert ask(guard, cookie=headers["set-cookie"].split(";")[0])[0] == 200


def test_who_has_the_cookie_and_follows_the_old_address_is_let_in_without_it() -> None:
    guard, cookie = entered()
    status, headers = ask(guard, query="key=used", cookie=cookie.split(";")[0])
    assert (status, headers["location"]) == (303, "/")


@pytest.mark.parametrize("host", ["localhost:8123", "127.0.0.1", "127.0.0.1:80", "evil.example:8123", "[::1]:8123", ""])
def test_another_host_is_refused_whatever_it_brings(host: str) -> None:
    guard, cookie = entered()
    assert ask(guard, host=host, cookie=cookie.split(";")[0])[0] == 403


def test_another_host_does_not_use_up_the_key() -> None:
    guard = Guard(_inside, port=8123)
    query = guard.address.split("?")[1]
    assert ask(guard, query=query, host="evil.example")[0] == 403
    assert ask(guard, query=query)[0] == 303


def writing(guard: Guard, given: str, **changed: str | None) -> int:
    headers: dict[str, str | None] = {
        "cookie": given.split(";", maxsplit=1)[0],
        "origin": ORIGIN,
        "x_desk_token": guard.token,
        "sec_fetch_site": "same-origin",
    }
    known = {name: value for name, value in (headers | changed).items() if value is not None}
    return ask(guard, "/runs/add", method="POST", **known)[0]


def test_only_the_desks_own_page_writes() -> None:
    guard, cookie = entered()
    assert writing(guard, cookie) == 200
    assert writing(guard, cookie, origin=None) == 403
    assert writing(guard, cookie, origin="null") == 403
    assert writing(guard, cookie, origin="http:" + "//127.0.0.1:9999") == 403
    assert writing(guard, cookie, origin="https:" + "//127.0.0.1:8123") == 403
    assert writing(guard, cookie, x_desk_token=None) == 403
    assert writing(guard, cookie, x_desk_token="stale")  # noqa: S106 == 403
    assert writing(guard, cookie, sec_fetch_site="cross-site") == 403
    assert writing(guard, cookie, cookie=None) == 403
    assert writing(guard, cookie, cookie="desk-8123=guess") == 403
    assert writing(guard, cookie, cookie="desk-8124=" + cookie.split("=")[1].split(";")[0]) == 403


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
def test_another_site_or_port_reads_nothing(site: str) -> None:
    guard, cookie = entered()
    assert ask(guard, "/cards", cookie=cookie.split(";")[0], sec_fetch_site=site)[0] == 403
    assert ask(guard, "/cards", cookie=cookie.split(";")[0], sec_fetch_site="same-origin")[0] == 200


def test_every_answer_forbids_what_it_does_not_need() -> None:
    guard, cookie = entered()
    for _, headers in (ask(guard), ask(guard, cookie=cookie.split(";")[0])):
        policy = dict(part.split(" ", 1) for part in headers["content-security-policy"].split("; "))
        assert policy["default-src"] == "'none'"
        assert policy["script-src"] == policy["style-src"] == policy["connect-src"] == "'self'"
        assert policy["frame-ancestors"] == policy["base-uri"] == policy["form-action"] == "'none'"
        assert headers["referrer-policy"] == "no-referrer"
        assert headers["cache-control"] == "no-store"
        assert headers["x-content-type-options"] == "nosniff"


@given(
    cookie=st.text(st.characters(max_codepoint=255, exclude_characters="\r\n"), max_size=80),
    key=st.text(st.characters(max_codepoint=126, min_codepoint=33, exclude_characters="&#"), max_size=40),
    method=st.sampled_from(["GET", "HEAD", "POST", "PUT", "DELETE", "OPTIONS"]),
)
def test_nobody_guesses_the_way_in(cookie: str, key: str, method: str) -> None:
    guard = Guard(_inside, port=8123)
    assert ask(guard, method=method, query=f"key={key}", cookie=cookie, origin=ORIGIN)[0] == 403
