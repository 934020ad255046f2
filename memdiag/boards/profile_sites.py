"""The sites of a profile: those written one by one and those written in rows, with what holds for
all and what stands in a centroid file.

What is said nearest to a site holds: its own table or row, then the centroid file, then
`[defaults]`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, TypeVar

from msgspec import UNSET

from memdiag.boards import written
from memdiag.boards.centroid import Centroid, Spot
from memdiag.boards.profile_form import (
    MAX_LANE,
    DefaultsForm,
    LinkForm,
    ProfileForm,
    RowForm,
    RowLinkForm,
    SiteForm,
)
from memdiag.boards.whereabouts import Whereabouts
from memdiag.model import Channel, Link, Site
from memdiag.model.problems import Problem, problem

T = TypeVar("T")

_LARGEST_CHANNEL = 65535
_LONGEST_NAME = 200
_FARTHEST = 10_000
_NOWHERE = Spot()


def as_channel(name: int | str) -> Channel:
    """A channel's name: a number where it is written as one, else the word."""
    is_number = isinstance(name, str) and name.isascii() and name.isdigit() and len(name) <= 5
    return int(name) if is_number else name


def sites(
    form: ProfileForm, names: Whereabouts, centroid: Centroid | None = None
) -> tuple[tuple[Site, ...], tuple[Problem, ...]]:
    """The sites of a filled form in the order of its tables, those of `[[site]]` first, and what
    is wrong with its rows. A row that cannot be counted out is left out as a whole."""
    found: list[Problem] = []
    every = list(form.site)
    for number, row in enumerate(form.sites):
        try:
            every += _Row(row, number, names).sites()
        except _Wrong as wrong:
            found.append(wrong.problem)
        if len(every) > written.MOST:
            at = names.at("sites", number)
            found.append(problem("profile-too-many", at, file=names.file, most=written.MOST))
            break
    shared = form.defaults if form.defaults is not UNSET else DefaultsForm()
    spots = centroid.spots if centroid is not None else {}
    made = tuple(_site(s, shared, spots.get(s.ref.casefold(), _NOWHERE)) for s in every)
    return made, tuple(found)


def _site(form: SiteForm, shared: DefaultsForm, spot: Spot) -> Site:
    placed = form.x is not UNSET or form.y is not UNSET
    return Site(
        form.ref,
        tuple(link for each in form.links for link in _links(each)),
        _said(form.x) if placed else spot.x,
        _said(form.y) if placed else spot.y,
        _first(form.side, spot.side, shared.side) or "top",
        (_first(form.rotation, spot.rotation, shared.rotation) or 0.0) % 360,
        _first(form.size, shared.size),
        tuple(_first(form.rails, shared.rails) or ()),
        _said(form.partition),
        _said(form.clamshell),
    )


def _links(form: LinkForm) -> Iterator[Link]:
    dqs = None if form.dq is UNSET else tuple(sorted(form.dq))
    for lane in form.lanes:
        yield Link(as_channel(form.channel), form.rank, lane, dqs)


def _said(value: Any) -> Any:
    return None if value is UNSET else value


def _first(*values: Any) -> Any:
    """The first that is said; an empty list is."""
    return next((v for v in values if v is not UNSET and v is not None), None)


class _Wrong(Exception):
    """A row that cannot be counted out, and why."""

    def __init__(self, problem: Problem) -> None:
        super().__init__(problem.message)
        self.problem = problem


class _Row:
    """One `[[sites]]`, value by value."""

    def __init__(self, form: RowForm, number: int, names: Whereabouts) -> None:
        self.form, self.number, self.names = form, number, names
        self.refs = self._names("refs", form.refs)
        self.n = len(self.refs)

    def sites(self) -> list[SiteForm]:
        """Raises _Wrong."""
        form, n = self.form, self.n
        xs, ys = (self._lengths(key, getattr(form, key)) for key in ("x", "y"))
        turns = self._shared("rotation", form.rotation)
        sides = self._shared("side", form.side)
        rails = self._rails(form.rails)
        partitions, partners = (
            self._shared(key, self._names(key, value)) if value is not UNSET else [UNSET] * n
            for key, value in (("partition", form.partition), ("clamshell", form.clamshell))
        )
        links = [self._links(k, each) for k, each in enumerate(form.links)]
        return [
            SiteForm(
                self.refs[i],
                [link for each in links for link in each[i]],
                xs[i],
                ys[i],
                sides[i],
                turns[i],
                form.size,
                rails[i],
                partitions[i],
                partners[i],
            )
            for i in range(n)
        ]

    def _wrong(self, why: str, key: str, value: Any = None, *more: str | int) -> _Wrong:
        refs = self.form.refs if isinstance(self.form.refs, str) else ", ".join(self.form.refs)
        shown = f' "{_brief(value)}"' if isinstance(value, str) else ""
        return _Wrong(
            problem(
                "profile-row",
                self.names.at("sites", self.number, *(more or (key,))),
                file=self.names.file,
                refs=_brief(refs),
                key=key + shown,
                why=why,
            )
        )

    def _names(self, key: str, value: str | Sequence[str]) -> list[str]:
        """The names that a text or a list stands for. Raises _Wrong."""
        try:
            names = written.listed(value) if isinstance(value, str) else list(value)
        except written.Unclear as wrong:
            raise self._wrong(str(wrong), key, value) from None
        if any(len(name) > _LONGEST_NAME for name in names):
            raise self._wrong(f"a name is longer than {_LONGEST_NAME} characters", key)
        return names

    def _shared(self, key: str, value: Any, *more: str | int) -> list[Any]:
        """A value for each site: one for all, or a list that is shared out. Raises _Wrong."""
        if not isinstance(value, list):
            return [value] * self.n
        try:
            return written.shared(value, self.n)
        except written.Unclear as wrong:
            raise self._wrong(str(wrong), key, None, *more) from None

    def _rails(self, value: Any) -> list[Any]:
        """The rails of each site: one list for all, or lists that are shared out. Raises _Wrong."""
        if value is UNSET or all(isinstance(name, str) for name in value):
            return [value] * self.n
        return self._shared("rails", value)

    def _lengths(self, key: str, value: Any) -> list[Any]:
        """Millimetres: one, a list, or `from 46, 13 apart`. Raises _Wrong."""
        if not isinstance(value, str):
            return self._shared(key, value)
        try:
            start, step = written.steps(value)
        except written.Unclear as wrong:
            raise self._wrong(str(wrong), key, value) from None
        places = [round(start + step * i, 6) for i in range(self.n)]
        if not all(abs(place) <= _FARTHEST for place in places):
            raise self._wrong(f"it goes beyond {_FARTHEST} mm", key, value)
        return places

    def _links(self, number: int, form: RowLinkForm) -> list[list[LinkForm]]:
        """The links that each site has by one entry of `links`. Raises _Wrong."""
        in_text = ("links", number)
        ranks = self._shared("rank", form.rank, *in_text, "rank")
        channels = self._channels(form.channel, *in_text, "channel")
        lanes = self._lanes(form.lanes, channels, ranks, *in_text, "lanes")
        return [
            [LinkForm(name, lanes[i], ranks[i], form.dq) for name in channels[i]]
            for i in range(self.n)
        ]

    def _channels(self, value: Any, *more: str | int) -> list[list[Channel]]:
        if not isinstance(value, str):
            return [[each] for each in self._shared("channel", value, *more)]
        try:
            count = written.count(value)
            if count is None:
                shares = written.shared(written.listed(value), self.n)
                found = [[as_channel(name)] for name in shares]
            else:
                found = [[as_channel(name) for name in count.of(i)] for i in range(self.n)]
        except written.Unclear as wrong:
            raise self._wrong(str(wrong), "channel", value, *more) from None
        for name in (name for own in found for name in own):
            if (name > _LARGEST_CHANNEL) if isinstance(name, int) else len(name) > _LONGEST_NAME:
                raise self._wrong(
                    f"there is no channel {_brief(str(name))}", "channel", value, *more
                )
        return found

    def _lanes(
        self,
        value: list[int] | str,
        channels: Sequence[Sequence[Channel]],
        ranks: Sequence[int],
        *more: str | int,
    ) -> list[list[int]]:
        """The lanes of each site: the same for all, or counted on from site to site of a channel
        and rank, for each of which they begin anew. Raises _Wrong."""
        if not isinstance(value, str):
            return [value] * self.n
        try:
            count = written.count(value)
            if count is None:
                raise written.Unclear('it is neither as in "0-1" nor as in "from 0, 1 each"')
            so_far: dict[tuple[Any, ...], int] = {}
            found = []
            for names, rank in zip(channels, ranks, strict=True):
                key = (*names, rank)
                found.append([int(lane) for lane in count.of(so_far.get(key, 0))])
                so_far[key] = so_far.get(key, 0) + 1
        except (written.Unclear, ValueError) as wrong:
            why = str(wrong) if isinstance(wrong, written.Unclear) else "lanes are numbers"
            raise self._wrong(why, "lanes", value, *more) from None
        if any(lane > MAX_LANE for own in found for lane in own):
            raise self._wrong(f"it goes beyond lane {MAX_LANE}", "lanes", value, *more)
        return found


def _is_no_channel(name: Channel) -> bool:
    return name > _LARGEST_CHANNEL if isinstance(name, int) else len(name) > _LONGEST_NAME


def _brief(text: str) -> str:
    return text if len(text) <= 40 else text[:37] + "..."
