"""What the fields of a board profile must satisfy together.

An immutable tuple of small functions of one signature: the filled form and its sites in, problems
out. Names that stand in the file but could not be read whole are still known names
(`Whereabouts`), so that one bad site does not make its clamshell partner look wrong too.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from itertools import islice

from msgspec import UNSET, Struct

from memdiag.boards import baseline_checks, profile_places
from memdiag.boards.profile_fill import MOST_PROBLEMS, nearest
from memdiag.boards.profile_form import ProfileForm
from memdiag.boards.whereabouts import Whereabouts as Names
from memdiag.model import Channel, Site
from memdiag.model.problems import Problem, problem

Corners = tuple[tuple[float, float], ...]


class Profile(Struct, frozen=True):
    """A filled form, and the sites that it comes to."""

    form: ProfileForm
    sites: tuple[Site, ...]


def examine(profile: Profile, names: Names) -> tuple[Problem, ...]:
    """All problems of a filled form, in the order of the checks."""
    found = (wrong for check in CHECKS for wrong in check(profile, names))
    return tuple(islice(found, MOST_PROBLEMS))


def _sites(profile: Profile, names: Names) -> Iterator[Problem]:
    if not names.any_site:
        yield problem("profile-no-sites", names.at("site"), file=names.file)


def _twice(profile: Profile, names: Names) -> Iterator[Problem]:
    for what, words, of in (
        ("site", [s.ref for s in profile.sites], names.site),
        ("rail", [r.name for r in profile.form.rail], names.rail),
        ("keepout", [k.name for k in profile.form.keepout], names.keepout),
    ):
        for name, times in Counter(words).items():
            if times > 1:
                at = of(name, nth=1)
                yield problem(
                    "profile-twice", at, file=names.file, what=what, name=name, times=times
                )


def _links(profile: Profile, names: Names) -> Iterator[Problem]:
    """A data line has one owner. Without a dq list a link owns all eight lines of its lane."""
    owners: dict[tuple[Channel, int, int | None], dict[int, list[str]]] = {}
    for site in profile.sites:
        for link in site.links:
            lane_of = owners.setdefault((link.channel, link.rank, link.lane), {})
            for line in range(8) if link.dqs is None else link.dqs:
                lane_of.setdefault(line, []).append(site.ref)
    for (channel, rank, lane), by_line in owners.items():
        shared = {line: who for line, who in by_line.items() if len(who) > 1}
        if not shared:
            continue
        who = list(dict.fromkeys(ref for refs in shared.values() for ref in refs))
        dq = "" if len(shared) == 8 else " dq " + ", ".join(map(str, sorted(shared)))
        yield problem(
            "profile-link-twice",
            names.site(who[-1], "links"),
            file=names.file,
            channel=channel,
            rank=rank,
            lane=lane,
            dq=dq,
            owners=" and ".join(who) if len(who) > 1 else f"{who[0]} twice",
        )


def _rails(profile: Profile, names: Names) -> Iterator[Problem]:
    for site in profile.sites:
        for rail in site.rails:
            if rail not in names.rails:
                yield problem(
                    "profile-undefined",
                    names.site(site.ref, "rails"),
                    file=names.file,
                    site=site.ref,
                    key="rails",
                    name=rail,
                    table="[[rail]]",
                    nearest=nearest(rail, names.rails),
                )
    for rail_ in profile.form.rail:
        low, typical = rail_.healthy_ohms_min, rail_.healthy_ohms_typical
        if low is not UNSET and typical is not UNSET and typical < low:
            yield problem(
                "profile-ohms",
                names.rail(rail_.name, "healthy_ohms_typical"),
                file=names.file,
                rail=rail_.name,
                typical=f"{typical:g}",
                least=f"{low:g}",
            )
        volts, limit = rail_.volts, rail_.inject_volts_max
        if volts is not UNSET and limit is not UNSET and limit > volts:
            yield problem(
                "profile-injection",
                names.rail(rail_.name, "inject_volts_max"),
                file=names.file,
                rail=rail_.name,
                limit=f"{limit:g}",
                volts=f"{volts:g}",
            )


def _clamshells(profile: Profile, names: Names) -> Iterator[Problem]:
    by_ref = {site.ref: site for site in profile.sites}
    for site in profile.sites:
        if site.clamshell is None:
            continue
        partner = by_ref.get(site.clamshell)
        wrong = None
        if site.clamshell not in names.sites:
            yield problem(
                "profile-undefined",
                names.site(site.ref, "clamshell"),
                file=names.file,
                site=site.ref,
                key="clamshell",
                name=site.clamshell,
                table="[[site]]",
                nearest=nearest(site.clamshell, by_ref),
            )
        elif partner is site:
            wrong = "is the site itself"
        elif partner is not None and partner.clamshell != site.ref:
            named = partner.clamshell or "nobody"
            wrong = f"names {named} as its own partner"
        elif partner is not None and partner.side == site.side:
            wrong = f"sits on the same side ({site.side})"
        if wrong:
            yield problem(
                "profile-clamshell",
                names.site(site.ref, "clamshell"),
                file=names.file,
                site=site.ref,
                partner=site.clamshell,
                wrong=wrong,
            )


def _partitions(profile: Profile, names: Names) -> Iterator[Problem]:
    found: dict[Channel, dict[str, str]] = {}
    for site in profile.sites:
        if site.partition is not None:
            for channel in site.channels:
                found.setdefault(channel, {}).setdefault(site.partition, site.ref)
    for channel, partitions in found.items():
        if len(partitions) > 1:
            yield problem(
                "profile-partition",
                names.site(list(partitions.values())[1], "partition"),
                file=names.file,
                channel=channel,
                partitions=" and ".join(partitions),
            )


def _places(profile: Profile, names: Names) -> Iterator[Problem]:
    return profile_places.examine(profile.form, profile.sites, names)


def _address(profile: Profile, names: Names) -> Iterator[Problem]:
    """No field bit may be told from the others: together they are linearly independent over the
    two-element field, else two of them always say the same."""
    address = profile.form.address
    if address is UNSET:
        return
    basis: dict[int, int] = {}  # highest set bit -> reduced mask
    for name, times in Counter(f.name for f in address.fields).items():
        if times > 1:
            at = names.at("address", "fields")
            what = f'field "{name}" stands twice'
            yield problem("profile-address", at, file=names.file, what=what)
    for place, field in enumerate(address.fields):
        for number, bits in enumerate(field.bits):
            group = [bits] if isinstance(bits, int) else bits
            if len(set(group)) < len(group):
                yield problem(
                    "profile-address",
                    names.at("address", "fields", place, "bits", number),
                    file=names.file,
                    what=f'field "{field.name}" bit {number}: a bit stands twice in its '
                    "XOR group, so it cancels itself",
                )
                continue
            mask = sum(1 << bit for bit in group)
            while mask and mask.bit_length() in basis:
                mask ^= basis[mask.bit_length()]
            if mask:
                basis[mask.bit_length()] = mask
            else:
                bits_said = ", ".join(map(str, group))
                yield problem(
                    "profile-address",
                    names.at("address", "fields", place, "bits", number),
                    file=names.file,
                    what=f'field "{field.name}" bit {number} (address bits {bits_said}) '
                    "follows from the bits before it",
                )


def _baseline(profile: Profile, names: Names) -> Iterator[Problem]:
    return baseline_checks.examine(profile.form, profile.sites, names)


CHECKS: tuple[Callable[[Profile, Names], Iterator[Problem]], ...] = (
    _sites,
    _twice,
    _links,
    _rails,
    _clamshells,
    _partitions,
    _places,
    _address,
    _baseline,
)
