"""What outcomes teach, and how it gets into the shop's file: never by itself, never certain."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sklearn.calibration import calibration_curve

from memdiag.diagnosis import faults
from memdiag.diagnosis import settings as shop_settings
from memdiag.diagnosis.settings import Settings
from memdiag.ledger import index, shop_text
from memdiag.ledger.errors import LedgerError
from memdiag.ledger.outcomes import Claim, by_cause, kinds, record
from memdiag.ledger.shop_text import rounded, write
from memdiag.ledger.teaching import WEIGHT, Case, latest, learnt, statistics
from memdiag.model.ledger import Statistics
from tests.ledger.test_index import opened
from tests.support.marks import examples
from tests.support.tickets import filed, finding, verdict

SHIPPED = {name: prior.expected for name, prior in faults.priors().items()}


def cases(*of: tuple[str, str | None]) -> list[Case]:
    """Tickets of one outcome each."""
    return [
        Case(f"R-{n}", None, (Claim(was, "yes", "U6", kind=kind),), 0, (), None)
        for n, (was, kind) in enumerate(of)
    ]


def by_name(found: tuple[object, ...]) -> dict[str, float]:
    return {p.name: p.learnt for p in found}  # type: ignore[attr-defined]


def taught(root: Path, file: Path, shop: Settings | None = None) -> Statistics:
    database = opened(str(file))
    index.catch_up(database, [root])
    with database.reading() as connection:
        return statistics(connection, None, shop)


# --- priors -------------------------------------------------------------------------------------


def test_every_prior_that_an_outcome_can_speak_of_is_learnt() -> None:
    assert set(kinds()) == set(SHIPPED) - {"other"}
    assert by_name(learnt([], Settings(), WEIGHT)) == pytest.approx(
        {name: SHIPPED[name] for name in kinds()}
    )


def test_the_chance_of_a_cause_is_beta_binomial_worked_by_hand() -> None:
    """Bridges: a prior of 0.05 worth 40 boards is Beta(2, 38); 3 of 20 boards had one: Beta(5, 55),
    mean 1/12 (the rule: Gelman and others, "Bayesian Data Analysis", section 2.4)."""
    found = learnt(cases(*[("bridge", None)] * 3, *[("clear", None)] * 17), Settings(), 40)
    assert by_name(found)["bridge"] == pytest.approx(5 / 60)
    one = next(p for p in found if p.name == "bridge")
    assert (one.found, one.named) == (3, 0) and one.low < 5 / 60 < one.high


def test_kinds_share_the_cause_by_dirichlet_worked_by_hand() -> None:
    """weak_array and weak_pins, 0.18 each and worth 40 boards: the cause is Beta(14.4, 25.6). Of 20
    boards 6 were weak, 4 of them said to be in the array: Beta(20.4, 39.6), mean 0.34; of the kinds
    Dirichlet(7.2 + 4, 7.2), so that the array has 11.2 / 18.4 of it."""
    weak = [("weak", "weak_array")] * 4 + [("weak", None)] * 2
    found = by_name(learnt(cases(*weak, *[("clear", None)] * 14), Settings(), 40))
    assert [p.name for p in by_cause()["weak"]] == ["weak_array", "weak_pins"]
    assert found["weak_array"] == pytest.approx(0.34 * 11.2 / 18.4)
    assert found["weak_array"] + found["weak_pins"] == pytest.approx(0.34)


@settings(max_examples=examples(60), deadline=None)
@given(
    st.lists(
        st.sampled_from([("clear", None), *((c, k) for k, c in kinds().items())]), max_size=60
    ),
    st.floats(1, 1000),
)
def test_no_number_of_outcomes_makes_a_prior_certain(
    of: list[tuple[str, str | None]], weight: float
) -> None:
    found = learnt(cases(*of), Settings(), weight)
    assert all(0 < p.low < p.learnt < 1 and p.learnt <= p.high < 1 for p in found)
    again = learnt(cases(*of), Settings(priors={p.name: rounded(p.learnt) for p in found}), weight)
    assert all(0 < p.learnt < 1 for p in again)


@pytest.mark.parametrize("value", [0.0, 1.0, 2.5])
def test_a_prior_that_is_certain_already_is_refused(value: float) -> None:
    with pytest.raises(LedgerError) as caught:
        learnt([], Settings(priors={"bridge": value}), WEIGHT)
    assert caught.value.problem.code == "prior-certain" and "bridge" in str(caught.value)


def test_kinds_that_together_are_certain_are_refused() -> None:
    with pytest.raises(LedgerError, match="all kinds of weak"):
        learnt([], Settings(priors={"weak_array": 0.6, "weak_pins": 0.5}), WEIGHT)


def test_of_several_outcomes_the_one_that_counts() -> None:
    def row(was: str, proof: str = "technician", site: str = "U6") -> dict[str, object]:
        empty = dict.fromkeys(("rail", "kind", "probability", "note"))
        return {"was": was, "cured": "yes", "site": site, "proof": proof} | empty

    told = latest([row("weak"), row("joint"), row("missing", "case"), row("clear", site="U7")])
    assert [(o.site, o.was) for o in told] == [("U6", "joint"), ("U7", "clear")]
    assert [o.was for o in latest([row("missing", "case"), row("weak")])] == ["weak"]
    assert [o.was for o in latest([row("missing", "case"), row("weak", "case")])] == ["weak"]


# --- were verdicts right ------------------------------------------------------------------------


def test_the_calibration_is_scikit_learn_s_of_the_same_cases(tmp_path: Path) -> None:
    """A seeded shop: verdicts right about as often as they say; which were is known here."""
    chance = np.random.default_rng(5)
    stated, true = chance.uniform(0.5, 0.999, 60), []
    for n, p in enumerate(stated):
        right = bool(chance.random() < p)
        true.append(right)
        filed(tmp_path / "t", f"R-{n}", verdict(finding("U6", "missing", p), serial=str(n)))
        record(tmp_path / "t", f"R-{n}", Claim("missing" if right else "weak", "yes", "U6"))
    what, where = taught(tmp_path / "t", tmp_path / "l.sqlite").calibrations
    share, mean = calibration_curve(true, stated, n_bins=10)
    assert [b.stated for b in what.bins] == pytest.approx(mean.tolist())
    assert [b.share for b in what.bins] == pytest.approx(share.tolist())
    assert (what.count, what.unknown) == (60, 0)
    assert where.count == 60 and all(b.share == 1 for b in where.bins)


def test_what_counts_as_right(tmp_path: Path) -> None:
    root = tmp_path / "t"
    weak = finding("U6", "weak", 0.8)
    # right; U7 was said too, and the board was cured without it.
    filed(root, "R-1", verdict(weak, finding("U7", "joint", 0.6)))
    record(root, "R-1", Claim("weak", "yes", "U6"))
    # nobody says what became of U7.
    filed(root, "R-2", verdict(weak, finding("U7", "joint", 0.6)))
    record(root, "R-2", Claim("weak", "no", "U6"))
    # clear, and it was not.
    filed(root, "R-3", verdict(clear=0.95))
    record(root, "R-3", Claim("weak", "yes", "U2"))
    # declared and disturbed places claim nothing; the later run is not counted.
    spilt = finding("U8", "spillover", 0.9, action="leave", because_of="U6")
    filed(
        root,
        "R-4",
        verdict(weak, spilt, finding("U9", "missing", 0.9, expected=True, action="fit")),
    )
    filed(root, "R-4", verdict(finding("U3", "weak", 0.7), id="later"))
    record(root, "R-4", Claim("weak", "yes", "U6"))
    # one of several, on a rail; the cause is open.
    open_ = finding(None, "undecided", 0.4, one_of=["U1", "U2"], rail="VDD_MEM_A")
    filed(root, "R-5", verdict(open_ | {"place_probability": 0.95}))
    record(root, "R-5", Claim("missing", "yes", "U2"))
    # a ticket without an outcome.
    filed(root, "R-6", verdict(weak))
    found = taught(root, tmp_path / "l.sqlite")
    what, where = found.calibrations
    assert [(b.count, b.right) for b in what.bins] == [(1, 0), (3, 3), (1, 0)]
    assert (what.unknown, where.unknown) == (1, 1)
    assert (where.count, sum(b.right for b in where.bins)) == (5, 4)
    assert (found.tickets, found.boards, found.outcomes) == (6, 5, 5)
    (board,) = found.faults
    assert (board.name, board.tickets) == ("quince-12", 5) and board.profile is not None
    assert [(s.site, s.count) for s in board.sites] == [("U6", 3), ("U2", 2)]
    assert board.sites[1].causes == (("weak", 1), ("missing", 1))
    assert {(c.cause, c.tried, c.cured) for c in found.cures} == {("weak", 4, 3), ("missing", 1, 1)}


def test_a_later_outcome_of_a_case_does_not_outvote_the_technician(tmp_path: Path) -> None:
    root = tmp_path / "t"
    filed(root, "R-1", verdict(finding("U6", "weak", 0.8)))
    record(root, "R-1", Claim("joint", "yes", "U6"))
    record(root, "R-1", Claim("weak", "yes", "U6", proof="case", probability=0.99))
    found = taught(root, tmp_path / "l.sqlite")
    assert (found.outcomes, found.proved) == (1, 0)
    assert {p.cause for p in found.priors if p.found} == {"joint"}


# --- the shop's file ----------------------------------------------------------------------------


@pytest.fixture
def found(tmp_path: Path) -> Statistics:
    root = tmp_path / "t"
    for n in range(4):
        filed(root, f"R-{n}", verdict(finding("U6", "weak", 0.8), serial=str(n)))
        record(root, f"R-{n}", Claim("weak", "yes", "U6", kind="weak_array"))
    return taught(root, tmp_path / "l.sqlite")


def test_the_file_is_what_shop_takes(tmp_path: Path, found: Statistics) -> None:
    write(tmp_path / "shop.toml", found, force=False)
    made = shop_settings.read(tmp_path / "shop.toml")
    assert made.priors == pytest.approx({p.name: p.learnt for p in found.priors}, rel=1e-3)
    assert made.prior(faults.priors()["weak_array"]) > SHIPPED["weak_array"]
    assert made.limits == Settings().limits
    assert "4 outcomes on 4 tickets" in (tmp_path / "shop.toml").read_text()
    assert [p.name for p in tmp_path.iterdir() if p.name.endswith(".part")] == []


def test_a_file_that_is_there_is_never_replaced_without_a_word(
    tmp_path: Path, found: Statistics
) -> None:
    target = tmp_path / "shop.toml"
    target.write_text("[costs]\nreplace = 90\n")
    with pytest.raises(LedgerError) as caught:
        write(target, found, force=False)
    assert caught.value.problem.code == "settings-there"
    assert target.read_text() == "[costs]\nreplace = 90\n"
    (tmp_path / "link.toml").symlink_to(tmp_path / "nowhere")
    with pytest.raises(LedgerError):
        write(tmp_path / "link.toml", found, force=False)
    assert not (tmp_path / "nowhere").exists()


def test_forced_the_priors_are_replaced_and_the_rest_stays_as_it_was(
    tmp_path: Path, found: Statistics
) -> None:
    target = tmp_path / "shop.toml"
    before = (
        "# Our own.\n[priors] # guesses\nmissing = 0.5\n\n[costs]\nreplace = 90  # dear\n"
        '[words.result]\nkaputt = "fail"\n'
    )
    target.write_text(before)
    for _ in range(2):  # again and again: nothing piles up
        write(target, found, force=True)
        text = target.read_text()
        assert "# Our own." in text and "replace = 90  # dear" in text and 'kaputt = "fail"' in text
        assert text.count("[priors]") == 1 and "missing = 0.5\n" not in text
        assert tomllib.loads(text)["costs"] == {"replace": 90}


@pytest.mark.parametrize(
    "text",
    [
        "[priors\n",
        "[costs]\nreplace = -4\n",
        "priors = { missing = 0.5 }\n[costs]\nreplace = 90\n",
        '[compare]\nharmless = ["""a\n[priors]\nb""", """c\n[costs]\nd"""]\n',
        "priors.missing = 0.5\n",
    ],
)
def test_a_file_that_cannot_take_them_is_left_as_it_was(
    tmp_path: Path, found: Statistics, text: str
) -> None:
    target = tmp_path / "shop.toml"
    target.write_text(text)
    with pytest.raises(LedgerError) as caught:
        write(target, found, force=True)
    assert caught.value.problem.code == "settings-spoilt" and target.read_text() == text


def test_no_prior_is_written_as_0_or_1() -> None:
    assert 0 < rounded(1e-300) < rounded(0.5) == 0.5 < rounded(1 - 1e-12) < 1
    assert rounded(0.99999) < 1 and rounded(0.123456) == 0.1235
    with pytest.raises(ValueError):
        rounded(float("nan"))
    with pytest.raises(ValueError):
        shop_text.rounded(float("inf"))
