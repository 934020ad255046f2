"""Where in a profile's text each site and rail is written, so that a problem has a line."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import cached_property
from typing import Any

from msgspec import Struct

from memdiag.boards import written
from memdiag.model.problems import Position
from memdiag.model.toml_places import Path, places

_Named = dict[str, list[Path]]


class Whereabouts(Struct, dict=True):
    """`file` is what the profile is called, `data` its parsed tables, `text` what they were read
    from ("" where that is not at hand: then nothing has a place). The text is walked through only
    where a place is asked for."""

    file: str
    data: Mapping[str, Any]
    text: str = ""

    def at(self, *path: str | int) -> Position | None:
        """Where the key, or else the nearest table around it, stands; None for the file as a
        whole."""
        for end in range(len(path), 0, -1):
            if path[:end] in self._places:
                return self._places[path[:end]]
        return None

    def site(self, ref: str, key: str = "", nth: int = 0) -> Position | None:
        """Where the nth site of that name (of several, which is wrong) says that key: in its own
        table, in its row, or for all sites."""
        return self._of(self.sites, ref, key, nth)

    def rail(self, name: str, key: str = "", nth: int = 0) -> Position | None:
        return self._of(self.rails, name, key, nth)

    def _of(
        self, named: Mapping[str, list[Path]], name: str, key: str, nth: int
    ) -> Position | None:
        found = named.get(name, [])
        if not found:
            return None
        path = found[min(nth, len(found) - 1)]
        for own in ((*path, key), ("defaults", key)):
            if own in self._places:
                return self._places[own]
        return self.at(*path)

    @cached_property
    def _places(self) -> Mapping[Path, Position]:
        return places(self.text)

    @cached_property
    def sites(self) -> _Named:
        """The table or row of every site that the file names, whether it could be read or not."""
        found: _Named = {}
        for number, name in self._names("site", "ref"):
            found.setdefault(name, []).append(("site", number))
        for number, refs in self._values("sites", "refs"):
            for name in _refs(refs):
                found.setdefault(name, []).append(("sites", number))
        return found

    @cached_property
    def rails(self) -> _Named:
        found: _Named = {}
        for number, name in self._names("rail", "name"):
            found.setdefault(name, []).append(("rail", number))
        return found

    def keepout(self, name: str, key: str = "", nth: int = 0) -> Position | None:
        return self._of(self._keepouts, name, key, nth)

    @cached_property
    def _keepouts(self) -> _Named:
        found: _Named = {}
        for number, name in self._names("keepout", "name"):
            found.setdefault(name, []).append(("keepout", number))
        return found

    @property
    def any_site(self) -> bool:
        return bool(self.data.get("site") or self.data.get("sites"))

    def _names(self, table: str, key: str) -> Iterator[tuple[int, str]]:
        for number, value in self._values(table, key):
            name = written.as_name(value)
            if isinstance(name, str):
                yield number, name

    def _values(self, table: str, key: str) -> Iterator[tuple[int, Any]]:
        entries = self.data.get(table)
        for number, entry in enumerate(entries if isinstance(entries, list) else ()):
            if isinstance(entry, Mapping) and key in entry:
                yield number, entry[key]


def _refs(value: Any) -> list[str]:
    value = written.as_each_name(value)
    try:
        names = written.listed(value) if isinstance(value, str) else value
    except written.Unclear:
        return []
    return [name for name in names if isinstance(name, str)] if isinstance(names, list) else []
