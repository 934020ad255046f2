"""Problems with a board profile or the shop's settings."""

from __future__ import annotations

from memdiag.model.problems.types import ProblemKind, Severity

# Two sites that are right, and the head they need: each input below spoils one thing.
_HEAD = 'board = "bench"\n'
_U1 = '[[site]]\nref = "U1"\nlinks = [{channel = 0, lanes = [0, 1]}]\n'
_U2 = '[[site]]\nref = "U2"\nlinks = [{channel = 1, lanes = [0, 1]}]\n'
_ROW = '[[sites]]\nrefs = "U1-U2"\nlinks = {channel = "from 0, 1 each", lanes = [0, 1]}\n'
_CSV = "Designator,Mid X (mm),Mid Y (mm),Rotation,Layer\n"
_BASE = _HEAD + _U1 + '[[rail]]\nname = "VDDQ"\n[baseline]\nboards = 4\n'
_EYE = 'what = "width", unit = "UI", centre = 0.4, spread = 0.05'
_AT = "x = 10\ny = 10\nsize = [10, 12]\n"
_CELL = '[[keepout]]\nname = "BT1"\nx = 9\ny = 9\nsize = [8, 8]\n'
_NEAR = "x = 15\ny = 12\nsize = [10, 12]\n"

KINDS: dict[str, ProblemKind] = {
    "board-unsaid": ProblemKind(
        Severity.INFO,
        "the dump names no board: neighbour relations unknown",
        "give the profile with --board FILE to weigh how sites disturb each other; "
        "memdiag board new DUMP begins one",
        (
            "bench-dump 1\n[run]\nmemory  gddr6\n[training]\nsite ch step result\n"
            "U1 0 id pass\n[end] 1\n",
        ),
    ),
    "board-unknown": ProblemKind(
        Severity.INFO,
        'no profile for board "{board}": neighbour relations unknown{nearest}',
        "give one with --board FILE, put it in a folder named in MEMDIAG_BOARDS, or begin one: "
        "memdiag board new DUMP",
        (
            "bench-dump 1\n[run]\nboard  pear-3\n[training]\nsite ch step result\n"
            "U1 0 id pass\n[end] 1\n",
        ),
    ),
    "board-differs": ProblemKind(
        Severity.WARNING,
        'the dump says board "{board}", the profile given is of "{given}"',
        "check that the profile belongs to this board, or correct the dump's head",
    ),
    "profile-unreadable": ProblemKind(
        Severity.ERROR,
        "cannot read board profile {file}: {reason}",
        "name a profile file, or one of the boards that `memdiag board list` shows",
        (b'board = "\xff\xfe"\n',),
        "profile",
    ),
    "profile-syntax": ProblemKind(
        Severity.ERROR,
        "{file}: no valid TOML: {reason}",
        "text stands in quotes, lists in [ ], and each site begins with [[site]]",
        ("board = quince\n",),
        "profile",
    ),
    "profile-key": ProblemKind(
        Severity.ERROR,
        '{file}: {where}there is no key "{key}" here{nearest}',
        "known here: {known}",
        (_HEAD + _U1 + "rotatoin = 90\n", _HEAD + _U1 + '[[rails]]\nname = "VDDQ"\n'),
        "profile",
    ),
    "profile-missing": ProblemKind(
        Severity.ERROR,
        "{file}: {where}{key} is missing",
        "wanted: {wanted}",
        (_U1, _HEAD + '[[site]]\nref = "U1"\n', _HEAD, _HEAD + _U1 + "[baseline]\n"),
        "profile",
    ),
    "profile-value": ProblemKind(
        Severity.ERROR,
        "{file}: {where}{key} is {value}",
        "wanted: {wanted}",
        (
            _HEAD + _U1 + 'side = "left"\n',
            _HEAD + _U1 + 'x = "10"\n',
            _HEAD + _U1 + "x = inf\n",
            _HEAD + _U1 + "size = [10]\n",
            _HEAD + '[[site]]\nref = "U1"\nlinks = [{channel = 0, lanes = [0, 99]}]\n',
            _HEAD + '[[site]]\nref = "U1"\nlinks = [{channel = 0, lanes = [0], dq = [8]}]\n',
            _HEAD + 'memory = "gddr7"\n' + _U1,
            _HEAD + "site = 3\n",
            _HEAD + _U1 + "[baseline]\nboards = 0\n",
            _BASE + "error_floor = 2\n",
            _BASE + "eyes = [{" + _EYE.replace("0.4", "nan") + ', step = "read"}]\n',
            _BASE + "eyes = [{" + _EYE.replace("0.05", "-1") + ', step = "read"}]\n',
            _BASE + 'slopes = [{step = "level", taps = inf, spread = 0.2}]\n',
        ),
        "profile",
    ),
    "profile-row": ProblemKind(
        Severity.ERROR,
        "{file}: sites {refs}: {key}: {why}",
        'a row is written as in refs = "U1-U12", one value for all, or a list shared out evenly',
        (
            _HEAD + _ROW.replace("U1-U2", "U1-M2"),
            _HEAD + _ROW.replace("U1-U2", "U1-U99999"),
            _HEAD + _ROW.replace("U1-U2", "U1,,U2"),
            _HEAD + _ROW.replace("from 0, 1 each", "from 0, one each"),
            _HEAD + _ROW.replace("from 0, 1 each", "from 0, 0 each"),
            _HEAD + _ROW.replace("from 0, 1 each", "from Z, 1 each"),
            _HEAD + _ROW.replace("from 0, 1 each", "from main, 1 each"),
            _HEAD + _ROW.replace("from 0, 1 each", "from 65535, 1 each"),
            _HEAD + _ROW.replace("[0, 1]", '"from 15, 2 each"'),
            _HEAD + _ROW.replace("[0, 1]", '"from A, 2 each"'),
            _HEAD + _ROW.replace("[0, 1]", '"both"'),
            _HEAD + _ROW + "x = [1, 2, 3]\n",
            _HEAD + _ROW + 'x = "from 1, far apart"\n',
            _HEAD + _ROW + 'x = "from 1, 10001 apart"\n',
            _HEAD + _ROW + 'partition = "P0-P4"\n',
        ),
        "profile",
    ),
    "profile-too-many": ProblemKind(
        Severity.ERROR,
        "{file}: the profile has more than {most} sites",
        "check the ranges of refs",
        (_HEAD + _ROW + '[[sites]]\nrefs = "M1-M1023"\nlinks = []\n',),
        "profile",
    ),
    "profile-centroid": ProblemKind(
        Severity.ERROR,
        "{file}: the centroid file {name} cannot be read: {reason}",
        "name it as seen from the profile's folder, or leave centroid out",
        (_HEAD + 'centroid = "nowhere.csv"\n' + _U1,),
        "profile",
    ),
    "centroid-columns": ProblemKind(
        Severity.ERROR,
        "{file}: no line has the headings of a centroid file",
        "wanted are columns such as {known}",
        ("", "U1,10,20\n", "Designator,Mid X,Layer\nU1,10,Top\n"),
        "centroid",
    ),
    "centroid-cell": ProblemKind(
        Severity.WARNING,
        '{file}: {key} of {site} is "{cell}"',
        "wanted: {wanted}; until then it counts as not said",
        (
            _CSV + "U1,ten,20,0,Top\nU2,10,20,0,Top\n",
            _CSV + "U1,10,20,0,Inside\nU2,10,20,0,Top\n",
            _CSV + "U1,10\nU2,10,20,0,Top\n",
            _CSV + "U1,1e9999,20\nU2,10,20,0,Top\n",
        ),
        "centroid",
    ),
    "centroid-twice": ProblemKind(
        Severity.WARNING,
        "{file}: {site} stands here again",
        "its first line counts; remove the other",
        (_CSV + "U1,10,20,0,Top\nU2,10,20,0,Top\nU1,30,20,0,Top\n",),
        "centroid",
    ),
    "centroid-lacks": ProblemKind(
        Severity.WARNING,
        "{file}: no line for {sites}",
        "correct the designators, or give x and y of these sites in the profile",
        (_CSV + "U1,10,20,0,Top\n",),
        "centroid",
    ),
    "centroid-unit": ProblemKind(
        Severity.INFO,
        "{file}: it does not name its unit: read as millimetres",
        "write the unit behind the heading, as in Mid X (mil)",
        ("Ref,X,Y\nU1,10,20\nU2,30,20\n",),
        "centroid",
    ),
    "profile-no-sites": ProblemKind(
        Severity.ERROR,
        "{file}: the profile has no site",
        "a board needs at least one [[site]] with ref and links",
        (_HEAD + "site = []\n",),
        "profile",
    ),
    "profile-twice": ProblemKind(
        Severity.ERROR,
        '{file}: {what} "{name}" stands {times} times',
        "each name is used once; rename or remove the others",
        (
            _HEAD + _U1 + _U2.replace("U2", "U1"),
            _HEAD + _U1 + '[[rail]]\nname = "VDDQ"\n[[rail]]\nname = "VDDQ"\n',
            _HEAD + _U1 + _CELL + _CELL.replace("9", "40"),
        ),
        "profile",
    ),
    "profile-link-twice": ProblemKind(
        Severity.ERROR,
        "{file}: channel {channel} rank {rank} lane {lane}{dq} is owned by {owners}",
        "a lane belongs to one site, or is divided between sites with dq lists",
        (
            _HEAD + _U1 + _U2.replace("channel = 1", "channel = 0"),
            _HEAD + '[[site]]\nref = "U1"\nlinks = [{channel = 0, lanes = [0, 0]}]\n',
        ),
        "profile",
    ),
    "profile-undefined": ProblemKind(
        Severity.ERROR,
        '{file}: site {site}: {key} names "{name}", which no {table} defines{nearest}',
        "correct the name or add the {table}",
        (
            _HEAD + _U1 + 'rails = ["VQQ"]\n[[rail]]\nname = "VDDQ"\n',
            _HEAD + _U1 + 'clamshell = "U9"\n',
        ),
        "profile",
    ),
    "profile-clamshell": ProblemKind(
        Severity.ERROR,
        "{file}: site {site}: clamshell partner {partner} {wrong}",
        "clamshell partners name each other and sit on opposite sides",
        (
            _HEAD + _U1 + 'clamshell = "U2"\n' + _U2 + 'side = "bottom"\n',
            _HEAD + _U1 + 'clamshell = "U2"\n' + _U2 + 'clamshell = "U1"\n',
            _HEAD + _U1 + 'clamshell = "U1"\n',
        ),
        "profile",
    ),
    "profile-partition": ProblemKind(
        Severity.WARNING,
        "{file}: channel {channel} is in partitions {partitions}",
        "one PHY block drives a channel: give its sites the same partition",
        (
            _HEAD
            + _U1
            + 'partition = "P0"\n'
            + _U2.replace("channel = 1, lanes = [0, 1]", "channel = 0, lanes = [2]")
            + 'partition = "P1"\n',
        ),
        "profile",
    ),
    "profile-overlap": ProblemKind(
        Severity.WARNING,
        "{file}: {one} and {two} overlap on the {side} side by {depth} mm",
        "check x, y, size and rotation of both; x and y are the package's centre",
        (_HEAD + _U1 + _AT + _U2 + _NEAR, _HEAD + _U1 + _AT + "[controller]\n" + _NEAR),
        "profile",
    ),
    "profile-half-placed": ProblemKind(
        Severity.ERROR,
        "{file}: site {site}: {has} is given but {lacks} is not",
        "a place needs both x and y",
        (_HEAD + _U1 + "x = 10\n",),
        "profile",
    ),
    "profile-outside": ProblemKind(
        Severity.WARNING,
        "{file}: {what} reaches out of the board's outline",
        "x and y count from the lower left corner seen from the top; check the outline too",
        (_HEAD + "outline = [12, 12]\n" + _U1 + _AT, _HEAD + "outline = [12, 12]\n" + _U1 + _CELL),
        "profile",
    ),
    "profile-unplaced": ProblemKind(
        Severity.INFO,
        "{file}: place or size not given for {sites}: left out of the drawing",
        "give x, y and size of every site",
        (_HEAD + _U1,),
        "profile",
    ),
    "profile-ohms": ProblemKind(
        Severity.ERROR,
        "{file}: rail {rail}: healthy_ohms_typical {typical} is below healthy_ohms_min {least}",
        "the typical reading lies above the lowest healthy one",
        (
            _HEAD + _U1 + '[[rail]]\nname = "VDDQ"\nhealthy_ohms_min = 90\n'
            "healthy_ohms_typical = 20\n",
        ),
        "profile",
    ),
    "profile-injection": ProblemKind(
        Severity.WARNING,
        "{file}: rail {rail}: inject_volts_max {limit} V is above the rail's own {volts} V",
        "injecting more than the rail's own voltage can destroy every part on it",
        (_HEAD + _U1 + '[[rail]]\nname = "VDDQ"\nvolts = 1.2\ninject_volts_max = 1.5\n',),
        "profile",
    ),
    "profile-address": ProblemKind(
        Severity.ERROR,
        "{file}: [address] {what}",
        "each bit of a field is one address bit or an XOR group, and none repeats the others",
        (
            _HEAD + _U1 + '[address]\nfields = [{name = "row", bits = [9, [5, 5]]}]\n',
            _HEAD + _U1 + '[address]\nfields = [{name = "row", bits = [9, 5]},'
            ' {name = "bank", bits = [[9, 5]]}]\n',
            _HEAD + _U1 + '[address]\nfields = [{name = "row", bits = [9]},'
            ' {name = "row", bits = [5]}]\n',
        ),
        "profile",
    ),
    "profile-baseline": ProblemKind(
        Severity.ERROR,
        "{file}: [baseline] {what}",
        "learn it again with `memdiag baseline` from dumps of good boards, or correct the entry",
        (
            _BASE + "eyes = [{" + _EYE + ', step = "red", lane = 0}]\n',
            _BASE + "eyes = [{" + _EYE + ', step = "read", lane = 7}]\n',
            _BASE + "eyes = [{" + _EYE.replace("0.4", "1.4") + ', step = "read"}]\n',
            _BASE + "eyes = [{" + _EYE.replace("UI", "V") + ', step = "read"}]\n',
            _BASE + "eyes = [{" + _EYE + ', step = "read"}, {' + _EYE + ', step = "read"}]\n',
            _BASE + 'slopes = [{step = "levle", taps = 3, spread = 0.2}]\n',
            _BASE + 'rails = [{rail = "VDQQ", ohms = 90, spread = 0.1}]\n',
        ),
        "profile",
    ),
}
