"""Problems with a layout grammar."""

from __future__ import annotations

from memdiag.model.problems.types import ProblemKind, Severity

_HEAD = "// name: trial\n// about: a trial\n// recognise: ^trial\n"
_END = 'LANE: /[0-9]+/\nCH: /[0-9]+/\n%ignore " "\n'

_NAME_RESULT = (
    "a step whose rows say none counts neither as passed nor as failed: name the words that say it "
    'RESULT, or RESULT__PASS: "ok", RESULT__NOT_FOUND: "-"'
)

KINDS: dict[str, ProblemKind] = {
    "no-such-layout": ProblemKind(Severity.ERROR, "there is no layout {name!r}", "{hint}"),
    "bad-recognise": ProblemKind(
        Severity.WARNING,
        "{file}: its recognise pattern cannot be used: {reason}",
        "mend it; until then the layout is used only where --grammar names it",
    ),
    "layout-skipped": ProblemKind(
        Severity.WARNING,
        "layout {name} knows this text too, but its grammar cannot be used: {reason}",
        "mend {file}: `memdiag grammar check` shows where",
    ),
    "layout-empty": ProblemKind(
        Severity.ERROR,
        "{file}: the grammar has no rule that reads a line{quote}",
        "name a rule training_row, count_row, error_row, ... (docs/layouts.md lists them)",
        (_HEAD + 'thing: "a"\n', ""),
        "grammar",
    ),
    "layout-syntax": ProblemKind(
        Severity.ERROR,
        "{file}: {reason}{quote}",
        "mend the grammar there and check it again",
        (_HEAD + 'noise: "a\n', _HEAD + "noise: (A\nA: /a/\n", _HEAD + "noise: A\nA: /(/\n"),
        "grammar",
    ),
    "layout-twice": ProblemKind(
        Severity.ERROR,
        "{file}: {name} is defined in line {first} already{quote}",
        "{hint}",
        (
            _HEAD + 'noise: "a"\nnoise: "b"\n',
            _HEAD + 'noise: "a" "b" _X\n_X: /x/\n_X: /y/\n',
            _HEAD + 'training_row: "a" w\nw: LANE\nw: "x" LANE\n' + _END,
        ),
        "grammar",
    ),
    "layout-undefined": ProblemKind(
        Severity.ERROR,
        "{file}: {name} is used and not defined{quote}",
        "define it, or correct the name: {hint}",
        (_HEAD + 'training_row: "lane" LAEN\n' + _END,),
        "grammar",
    ),
    "layout-recognise": ProblemKind(
        Severity.ERROR,
        "{file}: the recognise pattern cannot tell this layout from others: {why}{quote}",
        "write a regular expression that is found in a line of this layout and of no other",
        (
            '// recognise: (\nnoise: "a"\n',
            '// recognise: .*\nnoise: "a"\n',
            '// recognise: .\nnoise: "a"\n',
        ),
        "grammar",
    ),
    "layout-rule-name": ProblemKind(
        Severity.ERROR,
        "{file}: {name} is outside the layout law and no line rule uses it{quote}",
        "{hint}",
        (
            _HEAD + 'noise: "a"\ntrainig_row: "lane" LANE\n' + _END,
            _HEAD + 'noise: "a"\nline: "lane" LANE -> trainig_row\n   | "b" -> noise\n' + _END,
        ),
        "grammar",
    ),
    "layout-terminal-name": ProblemKind(
        Severity.ERROR,
        "{file}: {name} fills no column of {kind}{quote}",
        "{hint}; a name that starts with _ carries nothing",
        (
            _HEAD + 'training_row: "lane" LANES\nLANES: /[0-9]/\n',
            _HEAD + 'training_row: RESULT__PASSED\nRESULT__PASSED: "ok"\n',
            _HEAD + "count_row: LANE STEP\nSTEP: /[a-z]+/\n" + _END,
            _HEAD + 'rows: "b" LANE (":" c)+\nc: CH -> context\n' + _END,
        ),
        "grammar",
    ),
    "layout-nameless": ProblemKind(
        Severity.ERROR,
        "{file}: {kind} holds a pattern without a name{quote}",
        "name it after the column it fills, or start its name with _ if it carries nothing",
        (_HEAD + 'training_row: "lane" /[0-9]+/\n',),
        "grammar",
    ),
    "layout-left-recursive": ProblemKind(
        Severity.ERROR,
        "{file}: rule {rule} calls itself before it has read anything{quote}",
        "write a repeat instead: item+ or item*",
        (_HEAD + "training_row: training_row CH | LANE\n" + _END,),
        "grammar",
    ),
    "layout-ambiguous": ProblemKind(
        Severity.ERROR,
        "{file}: rule {rule} can read one line in two ways{quote}",
        "leave out one of them, or put a word between the parts that tells them apart",
        (
            _HEAD + "training_row: a | b\na: LANE\nb: LANE\n" + _END,
            _HEAD + "training_row: LANE* LANE*\n" + _END,
        ),
        "grammar",
    ),
    "layout-look-alike": ProblemKind(
        Severity.ERROR,
        "{file}: {what} and {other} have one pattern and can stand at the same place{quote}",
        "put a word in front of one of them, or let their patterns differ",
        (_HEAD + "training_row: [CH] LANE\n" + _END,),
        "grammar",
    ),
    "layout-empty-rule": ProblemKind(
        Severity.ERROR,
        "{file}: rule {rule} matches an empty line{quote}",
        "blank lines are skipped anyway: let the rule ask for something",
        (_HEAD + 'training_row: [LANE] ["x"]\n' + _END,),
        "grammar",
    ),
    "layout-empty-terminal": ProblemKind(
        Severity.ERROR,
        "{file}: {what} matches the empty text{quote}",
        "write + for *, and make it optional where it is used, in brackets: [LANE]",
        (
            _HEAD + "training_row: LANE CH\nLANE: /[0-9]*/\nCH: /x/\n",
            _HEAD + 'noise: "a" /[0-9]*/\n',
        ),
        "grammar",
    ),
    "layout-dead-terminal": ProblemKind(
        Severity.ERROR,
        "{file}: {what} matches nothing{quote}",
        "mend its pattern: no text can satisfy it",
        (
            _HEAD + "training_row: LANE CH\nLANE: /[^\\d\\D]/\nCH: /x/\n",
            _HEAD + "training_row: LANE CH\nLANE: /(?!)a/\nCH: /x/\n",
            _HEAD + 'noise: "a" /[^\\d\\D]/\n',
        ),
        "grammar",
    ),
    "layout-takes-everything": ProblemKind(
        Severity.ERROR,
        "{file}: {what} matches any text, and leaves nothing to the rest of {kind}{quote}",
        "let it match what stands there and no more, such as /\\S+/ or /[0-9]+/",
        (
            _HEAD + "noise: ALL\nALL: /.+/\n",
            _HEAD + "noise: /.+/ _B\n_B: /b/\n",
            _HEAD + 'training_row: "x" STEP LANE\nSTEP: /.+/\n' + _END,
        ),
        "grammar",
    ),
    "layout-too-large": ProblemKind(
        Severity.ERROR,
        "{file}: the layout has {what}: none so large is compiled{quote}",
        "split it in several rules or layouts, or say the same with one pattern",
        (
            "training_row: STEP " + '["o"]' * 13 + "\nSTEP: /[a-z]+/\n",
            "".join(f'r{i}: "x{i}" STEP -> training_row\n' for i in range(3000))
            + "STEP: /[a-z]+/\n",
            "training_row: STEP\nSTEP: A0\n"
            + "".join(f"A{i}: A{i + 1} A{i + 1}\n" for i in range(30))
            + 'A30: "x"\n',
        ),
        "grammar",
    ),
    "layout-no-result": ProblemKind(
        Severity.WARNING,
        "no row of layout {layout} says a result, a window or the size of an eye",
        _NAME_RESULT,
        ("training_row: STEP LANE DELAY\nSTEP: /[a-z]+/\nDELAY: /d[0-9]/\n" + _END,),
        "check",
    ),
    "step-no-result": ProblemKind(
        Severity.WARNING,
        "{rows} of step {step}, and none says a result, a window or the size of an eye",
        _NAME_RESULT,
        ('training_row: STEP LANE [RESULT__FAIL]\nSTEP: /[a-z]+/\nRESULT__FAIL: "no"\n' + _END,),
        "check",
    ),
    "layout-pattern-hangs": ProblemKind(
        Severity.ERROR,
        "{file}: {what} could take for ever on an unlucky line{quote}",
        "do not repeat a repeat, such as (a+)+: let each part begin with another character",
        (
            _HEAD + "training_row: LANE\nLANE: /([0-9]+)+x/\n",
            _HEAD + 'noise: "a" /([0-9]+)+x/\n',
            '// recognise: ^(a+)+$\nnoise: "a"\n',
        ),
        "grammar",
    ),
    "proposal-no-rows": ProblemKind(
        Severity.ERROR,
        "no line of this text looks like a result, a count, an error word or a key of a run",
        "write the grammar by hand: docs/layouts.md shows how; memdiag grammar show console is a "
        "start",
        ("good morning\nhow are you\n", "\n"),
        "propose",
    ),
    "proposal-too-many": ProblemKind(
        Severity.ERROR,
        "the text has {n} kinds of lines, and a grammar is proposed for at most {most}",
        "give one dump alone, without what was printed before and after it",
        (
            "".join(
                "lane 3 read ok " + format(i, "b").translate({48: ": ", 49: "= "}) + "\n"
                for i in range(256)
            ),
        ),
        "propose",
    ),
    "proposal-too-long": ProblemKind(
        Severity.ERROR,
        "the text has more than {most} lines",
        "give the first thousand of them: what follows is more of the same kinds",
        ("lane 1 read ok\n" * 100_001,),
        "propose",
    ),
    "proposal-unread": ProblemKind(
        Severity.ERROR,
        "no rule is found that reads this line",
        "leave it out and try again, or write its rule by hand: docs/layouts.md shows how",
        ("lane 1 read ok\nlane 1 read " + "x y " * 5_000 + "\n",),
        "propose",
    ),
    "proposal-guessed": ProblemKind(
        Severity.INFO,
        "{rows} kinds of lines are taken for rows, {headings} for headings, {heads} for the head, "
        "{skipped} are skipped; {remarks} remarks begin with LOOK",
        "every guess stands above its rule: correct it there, then memdiag grammar check",
        ("lane 1 read ok\n",),
        "propose",
    ),
}
