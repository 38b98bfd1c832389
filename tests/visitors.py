"""People who visit the console in the tests: without a browser, over the application itself."""

import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from html import unescape
from pathlib import Path
from typing import Any

from fastapi import FastAPI
from fastapi.testclient import TestClient
from httpx2 import Response

from receiver.console.app import make
from receiver.console.house import House, Settings

NAME = "E. Example"
ADDRESS = "http://127.0.0.1"


class Visitor:
    """Somebody with a browser, who sends a form's secret along as a page's form would."""

    def __init__(self, app: FastAPI) -> None:
        self.app, self.house = app, app.state.house
        self.client = TestClient(app, base_url=ADDRESS, follow_redirects=True, raise_server_exceptions=True)
        self.csrf = ""

    def enter(self, name: str = NAME) -> "Visitor":
        """Come in by a one-time link."""
        house: House = self.house
        self.post(f"/enter/{house.door.link()}", name=name)
        self.csrf = self.client.get("/api/session").json()["csrf"]
        return self

    def get(self, url: str, **headers: str) -> Response:
        return self.client.get(url, headers=headers)

    def read(self, url: str) -> str:
        """A page's words, without tags; it must be there."""
        answer = self.get(url)
        assert answer.status_code == 200, (url, answer.status_code, words(answer.text))
        return words(answer.text)

    def post(self, url: str, csrf: str | None = None, **fields: Any) -> Response:
        """Send a form."""
        return self.client.post(url, data={"csrf": self.csrf if csrf is None else csrf, **fields})

    def told(self, url: str, **fields: Any) -> str:
        """Send a form, and read the page that comes of it."""
        return words(self.post(url, **fields).text)

    def ask(self, method: str, url: str, body: Any = None) -> Response:
        """The JSON side."""
        return self.client.request(method, url, json=body, headers={"X-CSRF-Token": self.csrf})


def words(html: str) -> str:
    """What a person reads of a page: no tags, blanks as one."""
    text = re.sub(r"<(head|script|style)\b.*?</\1>|<[^>]*>", " ", html, flags=re.DOTALL)
    return " ".join(unescape(text).split())


@contextmanager
def visiting(journal: Path, **settings: Any) -> Iterator[Callable[[], Visitor]]:
    """A console over a journal; call what is given for each person who comes in."""
    settings.setdefault("requests", journal.parent / "requests")
    settings.setdefault("records", journal.parent / "records")
    app = make(Settings(journal, **settings))
    with TestClient(app, base_url=ADDRESS):
        yield lambda: Visitor(app)
