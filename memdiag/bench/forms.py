"""Forms of our own pages, and what is in their fields."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from msgspec import Struct

from memdiag.bench.refusal import Refusal

if TYPE_CHECKING:
    from starlette.requests import Request

    from memdiag.bench.visitors import Visitors

MARK = "mark"
MOST_FIELDS, MOST_FILES, MOST_TEXT = 2000, 8, 2000
_KINDS = ("application/x-www-form-urlencoded", "multipart/form-data")


class Form(Struct, frozen=True):
    """What a form of this visitor holds: `pairs` of names and texts in order, and `files`."""

    pairs: tuple[tuple[str, str], ...]
    files: Mapping[str, bytes]

    def text(self, name: str, most: int = MOST_TEXT) -> str:
        """A field's words without blanks round them, "" where there is none. Raises Refusal for
        more than `most` characters."""
        words = self.body(name).strip()
        if len(words) > most:
            reason = f"{len(words)} characters, at most {most} are kept"
            raise Refusal.of(422, "bench-field", field=name[:40], reason=reason)
        return words

    def body(self, name: str) -> str:
        """A field's whole text as its writer sees it: forms are sent with CR LF (WHATWG HTML,
        multipart/form-data), where LF was pasted."""
        return next((text for key, text in self.pairs if key == name), "").replace("\r\n", "\n")

    def has(self, name: str) -> bool:
        return any(key == name for key, _ in self.pairs)

    def file(self, name: str) -> bytes:
        """The bytes of a file, none where none was chosen. Its name is not looked at."""
        return self.files.get(name, b"")

    def numbered(self, prefix: str) -> dict[int, str]:
        """The fields `PREFIX-NUMBER`, by their numbers."""
        made = {}
        for name, text in self.pairs:
            number = name.removeprefix(f"{prefix}-")
            if number != name and number.isdecimal() and len(number) < 10:
                made[int(number)] = text
        return made


async def filled(request: Request, visitors: Visitors, most: int) -> Form:
    """The form in a request. Raises Refusal where it is none of this visitor's."""
    kind = request.headers.get("content-type", "").split(";")[0].strip().lower()
    if kind not in _KINDS:
        raise Refusal.of(415, "bench-kind", kind=kind[:80] or "this", wanted=_KINDS[1])
    files, pairs = {}, []
    limits = {"max_files": MOST_FILES, "max_fields": MOST_FIELDS, "max_part_size": most}
    async with request.form(**limits) as data:
        for name, value in data.multi_items():
            if isinstance(value, str):
                pairs.append((name, value))
            else:
                files[name] = await value.read()
    found = Form(tuple(pairs), files)
    if not visitors.is_form_of(visitors.known(request.cookies), found.text(MARK)):
        raise Refusal.of(403, "bench-form")
    return found
