"""A run, judged: evidence -> posterior -> findings with what to do about each."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from memdiag.boards import profiles, wiring
from memdiag.diagnosis import cautions, decision, hypotheses, noisy_max, wording
from memdiag.diagnosis.beliefs import Answers, Claim, claim_sites, nodes_at
from memdiag.diagnosis.settings import Shop, default
from memdiag.evidence import margins, table
from memdiag.evidence.build import gather
from memdiag.evidence.gathered import Evidence
from memdiag.evidence.measurements import Measurements, measure, swept
from memdiag.evidence.nodes import Node
from memdiag.model.board import Board
from memdiag.model.place import Place
from memdiag.model.records import Run
from memdiag.model.table import TableRow
from memdiag.model.verdict import HEATS, WANTS_WORK, Action, Cause, Finding, Quote, Summary, Verdict

MOST_QUOTES = 6
PROVEN = 5  # errors that are more than a stray upset or two
PER_SITE = 2  # quotes of one site before another has its turn
ODD = -0.7
"""A node counts as odd when its sound state is this much (log) less likely than its best."""


def judge(run: Run, board: Board | str | Path | None = None, shop: Shop | None = None) -> Verdict:
    """The verdict on a run. `board`: a profile or its file, else found by the run's board name.

    Raises profiles.ProfileError where the profile named cannot be used.
    """
    board, _ = profiles.for_run(run, board)
    return judge_measured(measure(run, board), shop)


def judge_measured(measured: Measurements, shop: Shop | None = None) -> Verdict:
    """The same where the run's measurements are at hand."""
    shop = shop or default()
    evidence = gather(measured, shop.limits.thin_ui)
    case = hypotheses.build(measured.run, measured.board, evidence, shop)
    return conclude(measured, evidence, case, noisy_max.infer(case.model), shop)


def conclude(
    measured: Measurements,
    evidence: Evidence,
    case: hypotheses.Case,
    posterior: noisy_max.Posterior,
    shop: Shop,
    *,
    rails_only: bool = False,
) -> Verdict:
    """The verdict that a posterior supports. `rails_only`: nothing but readings was to be had,
    so that sites nobody trained are no reason against `clear`."""
    run, board = measured.run, measured.board
    answers = Answers(case, posterior)
    contested = wiring.contested(run, board)
    rows = table.rows(measured)
    judge_ = _Judge(measured, rows, evidence, answers, shop, rails_only, contested)
    findings = judge_.findings()
    summary = judge_.summary(findings)
    rows = table.judged(rows, judge_.row_causes(findings))
    return Verdict(
        run,
        board,
        summary,
        tuple(findings),
        rows,
        run.problems,
        cautions.for_findings(findings, board),
        answers.posterior.left_out,
        tuple(judge_.notes()),
        _eye_reference(rows, board),
    )


def _eye_reference(rows: tuple[TableRow, ...], board: Board) -> float | None:
    """The width in UI that healthy peers show, None where too few lanes tell it."""
    widths = [row.width_ui for row in rows if row.lane is not None and row.width_ui is not None]
    peers = margins.reference([w for w in widths if w > 0], board.thin_ui or 0.0)
    return None if peers is None or peers.count < margins.MIN_PEERS else peers.reference


@dataclass
class _Judge:
    measured: Measurements
    rows: tuple[TableRow, ...]
    evidence: Evidence
    answers: Answers
    shop: Shop
    rails_only: bool = False
    contested: frozenset[str] = frozenset()
    """Sites whose rows the profile gives to other sites: no heat there until that is settled."""

    def __post_init__(self) -> None:
        self.run, self.board = self.measured.run, self.measured.board

    # --- findings ---------------------------------------------------------------------------

    def findings(self) -> list[Finding]:
        limits = self.shop.limits
        made = [self._of_claim(c) for c in self.answers.claims(limits.report_above)]
        wanted = [
            f for f in made if f.action is not Action.NONE and _at_fault(f) >= limits.report_above
        ]
        sure = {f.place.site for f in wanted if f.cause is not Cause.UNDECIDED}
        wanted = [
            f
            for f in wanted
            if f.cause is not Cause.UNDECIDED or f.place.site is None or f.place.site not in sure
        ]
        expected = [self._of_removed(i) for i in sorted(self.answers.given)]
        taken = {f.place.site for f in (*wanted, *expected) if f.place.site}
        for f in wanted:
            if f.cause in (Cause.SUPPLY, Cause.CONTROLLER):
                taken |= set(f.place.sites(self.board))
        spilled = self._spillover(taken)
        if not wanted and self.answers.clear < 0.5:
            wanted = [self._of_board()]
        order = sorted(wanted, key=_urgency, reverse=True)
        return [*order, *expected, *spilled]

    def _of_claim(self, claim: Claim) -> Finding:
        here = list(nodes_at(self.answers.case, claim))
        odd = any(n.sound_log_ratio < ODD for n in here if n.kind in ("place", "line"))
        belief = self.answers.causes_at(claim, spilled=odd)
        probability = belief.get(claim.cause, 0.0)
        fresh = 0.6 if claim.place.site in (self.run.head.replaced or ()) else 0.0
        choice = decision.decide(
            belief, self.shop.costs, fresh=fresh, known=self._known_measurements()
        )
        cause = claim.cause
        if probability < self.shop.limits.undecided_below:
            cause, probability = Cause.UNDECIDED, belief.get(Cause.UNDECIDED, 0.0)
        others = {c: p for c, p in belief.items() if c is not cause}
        alternatives = tuple(sorted(others.items(), key=lambda kv: -kv[1]))
        action = decision.allowed(choice.action, cause, belief)
        if action in HEATS and claim.place.is_board:
            # No place to put the heat: find it first.
            action = Action.CHECK_SUPPLY if self.run.rails else Action.RETEST
        settle: tuple[str, ...] = ()
        if action in HEATS and claim.place.site in self.contested:
            action, settle = Action.RETEST, (wording.which_package(claim.place, self.board),)
        quotes = self._quotes(here)
        return Finding(
            claim.place,
            cause,
            probability,
            alternatives,
            None,
            action,
            wording.reason(claim, cause, belief, claim_sites(claim, self.answers.case), self.board),
            False,
            quotes,
            settle
            + wording.next_steps(
                claim, belief, choice, action, self.run, self.board, self.shop, self.evidence
            ),
        )

    def _of_board(self) -> Finding:
        """Something is wrong, but no one place is likelier at fault than not."""
        belief = self.answers.overall()
        choice = decision.decide(belief, self.shop.costs, known=self._known_measurements())
        odd = [n for n in self.evidence.nodes if n.sound_log_ratio < ODD]
        claim = Claim(max(belief, key=belief.__getitem__), Place(), frozenset(), 0.0)
        unknown = belief.get(Cause.UNDECIDED, 0.0)
        others = {c: p for c, p in belief.items() if c is not Cause.UNDECIDED}
        action = decision.allowed(choice.action, Cause.UNDECIDED, belief)
        return Finding(
            Place(),
            Cause.UNDECIDED,
            unknown,
            tuple(sorted(others.items(), key=lambda kv: -kv[1])),
            None,
            action,
            wording.reason(claim, Cause.UNDECIDED, belief, frozenset(), self.board),
            False,
            self._quotes(odd),
            wording.next_steps(
                claim, belief, choice, action, self.run, self.board, self.shop, self.evidence
            ),
        )

    def _known_measurements(self) -> tuple[str, ...]:
        """What need not be asked for again, or cannot be where there is only a meter."""
        if self.rails_only:
            return ("ohms", "retest", "press", "slower")
        return ("ohms",) if self.run.rails else ()

    def _of_removed(self, number: int) -> Finding:
        place = self.answers.candidate(number).place
        line = next((x.position.line for x in self.run.head.lines if x.key == "removed"), None)
        here = [n for n in self.evidence.nodes if n.sites == (place.site,)]
        says = f"{place.site} is declared removed"
        return Finding(
            place,
            Cause.MISSING,
            0.999,
            ((Cause.UNDECIDED, 0.001),),
            None,
            Action.FIT,
            f"{place.site} is empty on purpose and does not answer, as it should.",
            True,
            (Quote(line, says), *self._quotes(here)),
            wording.after_removed(place, self.run, self.shop),
        )

    def _quotes(self, nodes: list[Node]) -> tuple[Quote, ...]:
        """The strongest evidence: readings of rails first, then the oddest place of each site in
        turn, so that a fault of many sites is not proved by one of them."""
        turns: dict[tuple[str, ...], int] = {}
        ranked = []
        for node in sorted(nodes, key=lambda n: n.sound_log_ratio):
            for quote in node.quotes:
                turn = turns.get(node.sites, 0)
                turns[node.sites] = turn + 1
                rank = -1 if node.kind in ("rail", "heat") else turn // PER_SITE
                says = f"{wording.where(node)} {quote.says}".strip()
                ranked.append((rank, Quote(quote.line, says)))
        ranked.sort(key=lambda pair: pair[0])
        return tuple(dict.fromkeys(q for _, q in ranked))[:MOST_QUOTES]

    # --- spillover --------------------------------------------------------------------------

    def _spillover(self, taken: set[str]) -> list[Finding]:
        out = []
        for site in self.board.sites:
            if site.ref in taken:
                continue
            here = [n for n in self.evidence.nodes if site.ref in n.sites and len(n.sites) == 1]
            if not any(n.sound_log_ratio < ODD or n.quotes for n in here):
                continue
            causes = self.answers.site_causes(site.ref)
            p = causes.get(Cause.SPILLOVER, 0.0)
            if p < 0.5:
                continue
            source, _ = self.answers.source_of(site.ref)
            because = wording.source_name(source)
            others = {c: q for c, q in causes.items() if c is not Cause.SPILLOVER}
            total = p + sum(others.values())
            errors = any(n.kind != "boot" and "wrong" in q.says for n in here for q in n.quotes)
            out.append(
                Finding(
                    Place(site=site.ref if site.named else None),
                    Cause.SPILLOVER,
                    p / total,
                    tuple(
                        sorted(
                            ((c, q / total) for c, q in others.items() if q > 0),
                            key=lambda kv: -kv[1],
                        )
                    ),
                    because,
                    Action.LEAVE,
                    wording.spill_reason(site.ref, because, errors, bool(self.answers.given)),
                    False,
                    self._quotes(here),
                    (f"look at {site.ref} again in the first dump after {because} is mended",),
                )
            )
        return out

    # --- summary ----------------------------------------------------------------------------

    def summary(self, findings: list[Finding]) -> Summary:
        urgent = [f for f in findings if f.action in WANTS_WORK]
        if urgent:
            top = urgent[0]
            return Summary(
                top.cause,
                top.place.site,
                top.action,
                top.probability,
                wording.headline(top, urgent, self.board),
            )
        clear = min(self.answers.clear, 1.0)
        above = self._above_target(findings)
        if above:
            return Summary(
                Cause.UNDECIDED,
                above[0],
                Action.RETEST,
                1 - clear,
                wording.above_target(above, self.shop),
            )
        untested = () if self.rails_only else self._untested()
        if untested:
            return Summary(
                Cause.UNDECIDED,
                None,
                Action.RETEST,
                1 - clear,
                wording.untested(untested, self.board),
            )
        return Summary(
            Cause.CLEAR, None, Action.NONE, clear, wording.all_clear(self.run, self.evidence)
        )

    def _above_target(self, findings: list[Finding]) -> list[str]:
        """Sites whose counted rate is proven above the shop's target and that no finding speaks
        of: whatever they are, they are not clear."""
        spoken = {f.place.site for f in findings}
        most = self.shop.limits.target_rate
        return list(
            dict.fromkeys(
                row.site or str(row.channel)
                for row in self.rows
                if row.ber_low is not None
                and row.errors
                and row.ber_low > most
                and row.errors >= PROVEN
                and row.site not in spoken
            )
        )

    def _untested(self) -> tuple[str, ...]:
        """Sites that nothing was measured at: no verdict of clear may cover them."""
        spoken = {s for n in self.evidence.nodes if n.kind in ("place", "line") for s in n.sites}
        return tuple(s.ref for s in self.board.sites if s.ref not in spoken) or (
            () if self.board.sites else ("the board",)
        )

    def notes(self) -> list[str]:
        """Footnotes: what qualifies the whole verdict."""
        out = list(self.evidence.notes)
        if self.evidence.silent_sites and len(self.evidence.silent_sites) < len(self.board.sites):
            out.append("the dump says nothing of " + ", ".join(self.evidence.silent_sites))
        if any(map(swept, self.run.counts)):
            from memdiag.evidence import delay_scans

            target = self.shop.limits.target_rate
            out += [eye.sentence() for eye in delay_scans.eyes(self.measured, target)]
        if self.contested:
            out.append(
                "the dump and the board profile do not mean the same package by "
                + ", ".join(sorted(self.contested))
            )
        if not self.board.known:
            out.append("no board profile: which sites neighbour which is not known")
        if self.answers.posterior.left_out > 0.001:
            out.append(
                f"fault sets not looked at hold at most {self.answers.posterior.left_out:.1%}"
            )
        return out

    def row_causes(self, findings: list[Finding]) -> dict[Place, tuple[str, float]]:
        """The cause of every table row: the most exact finding that covers it, else clear."""
        out: dict[Place, tuple[str, float]] = {}
        for row in self.rows:
            covering = [f for f in findings if f.place.speaks_of(row.place, self.board)]
            if covering:
                best = max(covering, key=lambda f: _detail(f.place))
                out[row.place] = (best.cause.value, best.probability)
            elif row.site is not None:
                sure = self.answers.site_causes(row.site)
                p = sure.get(Cause.CLEAR, 0.0) + sure.get(Cause.SPILLOVER, 0.0)
                out[row.place] = (Cause.CLEAR.value, min(p, 1.0))
        return out


def _detail(place: Place) -> int:
    return sum(getattr(place, n) is not None for n in ("site", "channel", "rank", "lane", "dq"))


def _at_fault(f: Finding) -> float:
    """Probability that the place itself is at fault, whatever the cause."""
    healthy = sum(p for c, p in f.alternatives if c in (Cause.CLEAR, Cause.SPILLOVER))
    return 1.0 - healthy


_RANK = {
    Action.STOP: 5,
    Action.CHECK_SUPPLY: 4,
    Action.REPLACE: 3,
    Action.REFLOW: 2,
    Action.RETEST: 1,
    Action.FIT: 0,
}


def _urgency(f: Finding) -> tuple[bool, float, int]:
    """Sure findings first; among equals those that forbid heat before those that ask for it."""
    sure = 0.0 if f.cause is Cause.UNDECIDED else f.probability
    return (f.action in WANTS_WORK, round(sure, 1), _RANK.get(f.action, 0))
