"""Problems of the ledger. Each input is the words of a `memdiag ledger` command, given where ticket
R-1 of a quince-12 with U6 missing is filed and the file `shop.toml` makes a prior certain."""

from __future__ import annotations

from memdiag.model.problems.types import ProblemKind, Severity

KINDS: dict[str, ProblemKind] = {
    "ledger-down": ProblemKind(
        Severity.ERROR,
        "the ledger at {url} cannot be used: {reason}",
        "tickets are filed in their folders all the same; what is missing is indexed when it is "
        "back",
        ("list --ledger sqlite:////dev/null/ledger.sqlite",),
        via="ledger",
    ),
    "ledger-broken": ProblemKind(
        Severity.ERROR,
        "the ledger at {url} is damaged: {reason}",
        "nothing is lost, the folders are the record: memdiag ledger rebuild makes it anew",
        ("list --ledger sqlite:///broken.sqlite",),
        via="ledger",
    ),
    "ledger-newer": ProblemKind(
        Severity.ERROR,
        "the ledger at {url} was made by a newer memdiag (revision {revision}, this one knows up "
        "to {known})",
        "install that memdiag here too; or memdiag ledger rebuild makes it anew for this one",
        ("list --ledger sqlite:///newer.sqlite",),
        via="ledger",
    ),
    "ledger-other": ProblemKind(
        Severity.ERROR,
        "{url} holds tables of something else, and no ledger",
        "name another file or database; nothing was written to this one",
        ("list --ledger sqlite:///other.sqlite",),
        via="ledger",
    ),
    "ledger-url": ProblemKind(
        Severity.ERROR,
        "{url} names no ledger: {reason}",
        "name a file, sqlite:///FILE or postgresql://USER@HOST/DATABASE",
        ("list --ledger mysql://bench/ledger", "list --ledger sqlite://"),
        via="ledger",
    ),
    "ledger-lacks": ProblemKind(
        Severity.ERROR,
        "a ledger on PostgreSQL needs psycopg, which is not installed",
        "pip install 'memdiag[ledger]', or leave --ledger away to use a file",
    ),
    "ledger-elsewhere": ProblemKind(
        Severity.ERROR,
        "a rebuild from here would forget {entries} filed in folders that are not seen from here: "
        "{where}",
        "rebuild where those folders are, or bring them back; --anyway forgets them until their "
        "bench files again",
        ("rebuild --elsewhere",),
        via="ledger",
    ),
    "ledger-no-folder": ProblemKind(
        Severity.WARNING,
        "the folder of tickets {folder} is not there",
        "what it holds is in the ledger as it was; check the path, or that the disk is mounted",
        ("list --folder nowhere",),
        via="ledger",
    ),
    "outcome-no-ticket": ProblemKind(
        Severity.ERROR,
        "there is no ticket {ticket}: an outcome belongs to a ticket that was filed{near}",
        "check the id, or file the ticket's dumps first: memdiag attach",
        ("outcome R-9 --site U6 --was weak --cured yes",),
        via="ledger",
    ),
    "outcome-no-site": ProblemKind(
        Severity.ERROR,
        "board {board} of ticket {ticket} has no {what} {name}{near}",
        "look at the designator on the board",
        (
            "outcome R-1 --site U66 --was weak --cured yes",
            "outcome R-1 --rail VDDX --was supply --cured yes",
        ),
        via="ledger",
    ),
    "outcome-was": ProblemKind(
        Severity.ERROR,
        "an outcome cannot be {was}{near}",
        "say what was wrong: {known}; or the kind of fault by the name of its prior",
        ("outcome R-1 --site U6 --was wek --cured yes",),
        via="ledger",
    ),
    "outcome-against": ProblemKind(
        Severity.WARNING,
        "this outcome speaks against what is filed: {against}",
        "it is kept as you said; if it was a slip, record the right one, which then counts",
        ("outcome R-1 --site U2 --was weak --cured yes",),
        via="ledger",
    ),
    "outcome-case": ProblemKind(
        Severity.ERROR,
        "{file} is no case of ticket {ticket}: {reason}",
        "give the document that memdiag case --format json writes for this ticket",
        ("outcome R-1 --from-case other-case.json", "outcome R-1 --from-case shop.toml"),
        via="ledger",
    ),
    "prior-certain": ProblemKind(
        Severity.ERROR,
        "a prior of {value:g} for {name} cannot be learnt from: no outcome would ever move it",
        "set it above 0 and below 1",
        ("statistics --shop shop.toml",),
        via="ledger",
    ),
    "settings-there": ProblemKind(
        Severity.ERROR,
        "{file} is there already and was left as it is",
        "name another file, or --force to replace the priors in it and leave its other tables",
        ("statistics --write-settings shop.toml",),
        via="ledger",
    ),
    "settings-spoilt": ProblemKind(
        Severity.ERROR,
        "{file} cannot take the new priors: {reason}",
        "name another file",
        ("statistics --write-settings spoilt.toml --force",),
        via="ledger",
    ),
}
