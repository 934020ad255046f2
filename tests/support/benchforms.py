"""A visitor of the bench page who fills in its forms, without a browser."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from typing import Any


class _Fields(HTMLParser):
    """The fields of a page by the form they belong to, and its links."""

    def __init__(self) -> None:
        super().__init__()
        self.forms: dict[str, dict[str, str]] = {}
        self.links: list[str] = []
        self.ids: set[str] = set()
        self._form, self._names = "", {}

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        said = {name: value or "" for name, value in attrs}
        if "id" in said:
            self.ids.add(said["id"])
        if tag == "form":
            self._form = said["action"]
            self._names[said.get("id", "")] = self._form
            self.forms.setdefault(self._form, {})
        elif tag == "input" and "name" in said:
            unset = said.get("type") in ("radio", "checkbox") and "checked" not in said
            form = self._names[said["form"]] if "form" in said else self._form
            if not unset:
                self.forms[form][said["name"]] = said.get("value", "")
        elif tag == "a":
            self.links.append(said.get("href", ""))

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self._form = ""


def fields(page: str, action: str) -> dict[str, str]:
    """What the form of that action holds before anybody writes in it."""
    return dict(_read(page).forms[action])


def links(page: str) -> list[str]:
    return _read(page).links


def ids(page: str) -> set[str]:
    return _read(page).ids


def _read(page: str) -> _Fields:
    found = _Fields()
    found.feed(page)
    return found


def send(client: Any, seen: str, action: str, files: Any = None, **more: Any) -> Any:
    """Send the form of that action as it stands in the page, with `more` filled in."""
    data = fields(seen, action) | {name.replace("_", "-"): text for name, text in more.items()}
    return client.post(action, data=data, files=files)


def paste(client: Any, text: str | bytes, **more: Any) -> tuple[str, str]:
    """Paste a text (or, as bytes, send it as a file): where its page is, and the page."""
    first = client.get("/").text
    if isinstance(text, bytes):
        done = send(client, first, "/paste", files={"file": ("../x.gz", text)}, **more)
    else:
        done = send(client, first, "/paste", text=text, **more)
    assert done.status_code == 303, done.text
    where = done.headers["location"]
    assert re.fullmatch(r"/paste/[0-9a-f]{32}", where)
    return where, client.get(where).text
