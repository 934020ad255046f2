"""Problems of the bench page and its HTTP interface. Each input is a request as it goes over the
line, without the head lines that every client sends: method and address, further head lines, a
blank line, the body."""

from __future__ import annotations

from memdiag.model.problems.types import ProblemKind, Severity

_JSON = "content-type: application/json\n\n"

KINDS: dict[str, ProblemKind] = {
    "bench-host": ProblemKind(
        Severity.ERROR,
        "this page is not served under the name {host}",
        "open {served}",
        ("GET /api/health\nhost: bench.example:8414\n\n", "GET /\nhost: quince.example\n\n"),
        via="bench",
    ),
    "bench-origin": ProblemKind(
        Severity.ERROR,
        "the request was made by another page ({origin})",
        "open {served} and do it there",
        (
            "POST /api/verdict\norigin: http://quince.example\ncontent-type: text/plain\n\nx",
            "POST /api/verdict\nsec-fetch-site: cross-site\ncontent-type: text/plain\n\nx",
        ),
        via="bench",
    ),
    "bench-token": ProblemKind(
        Severity.ERROR,
        "the access token is missing or is another one",
        "send the head line authorization: Bearer TOKEN, or enter the token on the page",
    ),
    "bench-form": ProblemKind(
        Severity.ERROR,
        "this form does not belong to your visit: it is old, or another page sent it",
        "go back, load the page again and send it once more",
        ("POST /paste\ncontent-type: application/x-www-form-urlencoded\n\ntext=x",),
        via="bench",
    ),
    "bench-field": ProblemKind(
        Severity.ERROR, "{field}: {reason}", "go back and mend it: nothing was filed"
    ),
    "bench-size": ProblemKind(
        Severity.ERROR,
        "the request is larger than the {most} MiB that are taken",
        "pack it with gzip, or judge it with memdiag verdict FILE",
        ("POST /api/verdict\ncontent-type: text/plain\ncontent-length: 99999999999\n\nx",),
        via="bench",
    ),
    "bench-slow": ProblemKind(
        Severity.ERROR, "the request did not arrive within {seconds:g} s", "send it again"
    ),
    "bench-kind": ProblemKind(
        Severity.ERROR,
        "{kind} is not read here",
        "send it as {wanted}",
        ("POST /api/verdict\ncontent-type: image/png\n\nx", "POST /api/case\n\n{}"),
        via="bench",
    ),
    "bench-body": ProblemKind(
        Severity.ERROR,
        "the body is not what this asks for: {reason}",
        'send {{"runs": [TEXT, ...]}}, each TEXT a dump as it was printed',
        (
            f"POST /api/case\n{_JSON}[]",
            f"POST /api/case\n{_JSON}{{",
            f'POST /api/compare\n{_JSON}{{"runs": [1]}}',
            f'POST /api/compare\n{_JSON}{{"runs": []}}',
        ),
        via="bench",
    ),
    "bench-board": ProblemKind(
        Severity.ERROR,
        "no board is called {board}",
        "memdiag board list names the boards that are known here",
        ("POST /api/verdict?board=pear-3\ncontent-type: text/plain\n\nbench-dump 1\n[end]",),
        via="bench",
    ),
    "bench-one-run": ProblemKind(
        Severity.ERROR,
        "only one run was found, and two are compared",
        "send the dump before the repair and the dump after it",
        (f'POST /api/compare\n{_JSON}{{"runs": ["bench-dump 1\\n[run]\\nid A\\n[end]"]}}',),
        via="bench",
    ),
    "bench-time": ProblemKind(
        Severity.ERROR,
        "judging was stopped: it took more than {seconds:g} s",
        "nothing else was touched; judge it with memdiag verdict FILE, which has no such limit",
    ),
    "bench-memory": ProblemKind(
        Severity.ERROR,
        "judging was stopped: it wanted more memory than a paste is given",
        "nothing else was touched; judge it with memdiag verdict FILE, which has no such limit",
    ),
    "bench-busy": ProblemKind(
        Severity.ERROR, "too many pastes are waiting to be judged", "send it again in a moment"
    ),
    "bench-no-ticket": ProblemKind(
        Severity.ERROR,
        "there is no ticket {ticket} here",
        "paste a dump and file it with that ticket",
        ("GET /tickets/R-0000\n\n",),
        via="bench",
    ),
    "bench-no-ledger": ProblemKind(
        Severity.ERROR,
        "this page was started without a ledger",
        "start memdiag serve without --ledger none; every ticket is under Tickets all the same",
    ),
    "bench-gone": ProblemKind(
        Severity.ERROR,
        "this paste is no longer held",
        "paste it again; what was filed is in its ticket",
        ("GET /paste/0123456789abcdef0123456789abcdef\n\n",),
        via="bench",
    ),
    "bench-nothing": ProblemKind(
        Severity.ERROR,
        "there is nothing at {path}",
        "open {served}",
        ("GET /api/verdicts\n\n", "GET /../../etc/hostname\n\n"),
        via="bench",
    ),
    "bench-method": ProblemKind(
        Severity.ERROR,
        "{method} is not what {path} takes",
        "GET /api/openapi.json says what it takes",
        ("DELETE /api/health\n\n", "GET /api/verdict\n\n"),
        via="bench",
    ),
    "bench-fault": ProblemKind(
        Severity.ERROR,
        "a fault in memdiag itself, not in your dump: {reason}",
        "nothing was filed; MEMDIAG_DEBUG=1 shows more in the terminal of memdiag serve",
    ),
}
