"""Let other machines of the workshop network in: a code pairs one, a link lets a customer or a student look on.

The bench's own machine needs neither. Whoever has no cookie of this bench gets the pairing page and nothing else. The
cookies are HttpOnly and SameSite=Strict; what goes over the network is not encrypted, and the bench says so.
"""

import html
import io
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import segno
from flask import Flask, Response, abort, redirect, request
from werkzeug.wrappers import Response as Answered

from dashboard.guard import refused_stream
from dashboard.pairing import LINK_DAYS, Code, Link, Pairing, Role, TooManyTriesError
from dashboard.words_record import CUSTOMERS_SHEET, LOOK_ONLY
from logger.names import brief, text_fault

OWN_MACHINE: Final = frozenset({"127.0.0.1", "::1"})
MOST_LINK_NAME: Final = 60
"""Letters of the name of whoever a link is for."""
LOOKS_ON: Final = "fretledger.looks_on"
"""In a request's environment: it comes through a link for looking on."""
WELCOME: Final = "fretledger.welcome"
"""Key of the request's environment: a callable that tells whether the browser may still look on."""

_STYLE: Final = (Path(__file__).parent / "pair.css").read_text(encoding="utf-8")
_PAGE: Final = """<!DOCTYPE html>
<html lang="{lang}">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">{refresh}
<link rel="icon" href="data:,">
<title>{title}</title>
<style>{style}</style>
</head>
<body><main><h1>{title}</h1>{body}</main></body>
</html>
"""
_FORM: Final = """{wrong}<p>{how}</p>
<form method="post" action="/pair">
<label for="code">{code}</label>
<input id="code" name="code" inputmode="numeric" autocomplete="one-time-code" maxlength="20" required autofocus>
<button type="submit">{enter}</button>
</form>"""


def picture(address: str) -> str:
    """Return the QR code of an address as a data URI, dark on light with its quiet zone.

    Source: ISO/IEC 18004, as the library segno draws it.
    """
    return segno.make(address, error="m", micro=False).svg_data_uri(scale=4, border=4, dark="#000", light="#fff")


def drawn(address: str) -> str:
    """Return the QR code of an address for a terminal."""
    text = io.StringIO()
    segno.make(address, error="m", micro=False).terminal(out=text, compact=True)
    return text.getvalue().rstrip("\n")


def for_whoever_asks(record: Mapping[str, Any]) -> Mapping[str, Any]:
    """Return a record as whoever asks may see it: a link for looking on shows no note that is for the shop alone."""
    if not request.environ.get(LOOKS_ON):
        return record
    return {**record, "visit_notes": [one for one in record.get("visit_notes", ()) if one["customer"]]}


@dataclass(frozen=True, slots=True, kw_only=True)
class Network:
    """The routes and the gate of a page that other machines may ask for.

    Attributes:
        pairing: who is paired.
        lan: whether other machines can come at all; without it there is neither gate nor code.
        address: where other machines find the page, with scheme and port and a slash in the end.
        said: the words of the pairing page.
    """

    pairing: Pairing
    lan: bool
    address: str
    said: Mapping[str, str]

    def register(self, server: Flask) -> None:
        """Add the routes, and the gate where other machines can come; the guard's own checks come first."""
        server.add_url_rule("/network", "network", self._network)
        if self.lan:
            server.before_request(self._admit)
            server.add_url_rule("/pair", "pair", self._pair, methods=["POST"])
            server.add_url_rule("/see/<token>", "see", self._see)
            server.add_url_rule("/network/link", "add_link", self._add_link, methods=["POST"])
            server.add_url_rule("/network/revoke", "revoke", self._revoke, methods=["POST"])

    def lines(self) -> list[str]:
        """Return what the terminal shows once: the address, its QR code and a caution."""
        return [
            f"open to the workshop network at {self.address}",
            drawn(self.address),
            "what goes over the network is not encrypted: use --lan only in a network of your own",
        ]

    def _role(self) -> Role:
        if not self.lan or request.remote_addr in OWN_MACHINE:
            return Role.BENCH
        return self.pairing.role(request.cookies.get(self._cookie, ""))

    @property
    def _cookie(self) -> str:
        return f"fretledger-{self.address.rstrip('/').rsplit(':', 1)[-1]}"  # browsers share cookies among ports

    def _admit(self) -> Response | None:
        if request.routing_exception is not None:  # a foreign host name, or no such path: nobody is let in by those
            raise request.routing_exception
        role = self._role()
        if request.endpoint in {"pair", "see"}:
            return None
        if role is Role.STRANGER:
            return (refused_stream(401) if request.endpoint == "feed" else None) or self._form(401)
        if role is Role.READER and request.method not in {"GET", "HEAD"}:
            abort(403, "this link is for looking on; pair this browser to take readings")
        if role is Role.READER and request.endpoint == "attached":
            abort(403, LOOK_ONLY)
        if role is Role.READER and request.endpoint == "sheet" and request.args.get("for") == "shop":
            abort(403, CUSTOMERS_SHEET)
        if role is not Role.BENCH and request.path.startswith("/network/"):
            abort(403, "links are made and ended on the bench's own screen")
        request.environ[LOOKS_ON] = role is Role.READER
        request.environ[WELCOME] = self._welcome(request.cookies.get(self._cookie, ""), role)
        return None

    def _welcome(self, token: str, role: Role) -> Callable[[], bool]:
        return lambda: role is Role.BENCH or self.pairing.role(token) is not Role.STRANGER

    def _form(self, status: int, wrong: str = "") -> Response:
        alert = f'<p role="alert">{html.escape(wrong)}</p>' if wrong else ""
        words = {name: html.escape(text) for name, text in self.said.items()}
        body = _FORM.format(wrong=alert, how=words["how"], code=words["code"], enter=words["enter"])
        shown = "text/html" in request.headers.get("Accept", "")
        return self._page(words["title"], body, 200 if shown else status)  # a page that a person reads is no error

    def _page(self, title: str, body: str, status: int, refresh: str = "") -> Response:
        text = _PAGE.format(lang=html.escape(self.said["lang"]), title=title, body=body, style=_STYLE, refresh=refresh)
        return Response(text, status, mimetype="text/html", headers={"Cache-Control": "no-store"})

    def _pair(self) -> Answered:
        try:
            token = self.pairing.pair(request.form.get("code", "")[:80])
        except TooManyTriesError as error:
            answer = self._form(429, self.said["too_many"].format(seconds=f"{error.wait_s:.0f}"))
            answer.headers["Retry-After"] = f"{error.wait_s:.0f}"
            return answer
        if token is None:
            return self._form(403, self.said["wrong"])
        return self._with_cookie(redirect("/", 303), token)

    def _see(self, token: str) -> Answered:
        if self.pairing.role(token) is not Role.READER:
            abort(404, "this link is no longer good; ask the workshop for another")
        # not a redirect: a browser that comes from elsewhere would not send a SameSite=Strict cookie with it
        on = f'<p><a href="/">{html.escape(self.said["look"])}</a></p>'
        page = self._page(html.escape(self.said["look"]), on, 200, '\n<meta http-equiv="refresh" content="0; url=/">')
        return page if self._role() in {Role.BENCH, Role.PAIRED} else self._with_cookie(page, token)

    def _with_cookie(self, answer: Answered, token: str) -> Answered:
        answer.set_cookie(self._cookie, token, httponly=True, samesite="Strict")
        return answer

    def _network(self) -> Mapping[str, Any]:
        role = self._role()
        told = {"role": role.value, "lan": self.lan}
        link = self.pairing.link(request.cookies.get(self._cookie, "")) if role is Role.READER else None
        if link is not None:
            return told | {"until": link.until.isoformat(timespec="seconds")}
        if not self.lan or role is not Role.BENCH:
            return told
        code = self.pairing.code()
        return told | {
            "address": self.address, "qr": picture(self.address), "code": code.spaced, "left_s": round(code.left_s),
            "days": list(LINK_DAYS), "links": [self._told(one) for one in self.pairing.links()],
        }  # fmt: skip

    def _told(self, link: Link) -> Mapping[str, Any]:
        address = f"{self.address}see/{link.token}"
        return {
            "token": link.token, "address": address, "qr": picture(address), "name": link.name,
            "made_at": link.made_at.isoformat(timespec="seconds"), "until": link.until.isoformat(timespec="seconds"),
        }  # fmt: skip

    def _add_link(self) -> Mapping[str, Any]:
        body = request.get_json()
        given = body if isinstance(body, dict) else {}
        name, days = given.get("name"), given.get("days", LINK_DAYS[0])
        name = " ".join(name.split()) if isinstance(name, str) else ""
        fault = text_fault("for whom a link is", name, most=MOST_LINK_NAME) if name else \
            "a link needs a name: for whom it is; type one"  # fmt: skip
        if fault:
            abort(400, fault)
        if type(days) is not int or days not in LINK_DAYS:
            abort(400, f"a link must hold {', '.join(map(str, sorted(LINK_DAYS)))} days, got {brief(str(days))}")
        if self.pairing.add_link(name, days=days) is None:
            abort(409, "there are as many links as there may be; end one first")
        return self._network()

    def _revoke(self) -> Mapping[str, Any]:
        body = request.get_json()
        if not isinstance(body, dict) or not self.pairing.revoke(str(body.get("token", ""))):
            abort(404, "there is no such link any more")
        return self._network()


def code_line(code: Code) -> str:
    """Return the terminal's line of a pairing code."""
    return f"pairing code {code.spaced}, good once and for {code.left_s / 60:.0f} minutes; Settings shows it too"
