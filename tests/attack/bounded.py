"""`python -m tests.attack.bounded MIB COMMAND...`: a command of memdiag in bounded memory."""

from __future__ import annotations

import sys

from tests.attack.limited import bound

if __name__ == "__main__":
    bound(int(sys.argv[1]))
    from memdiag.cli.main import main

    sys.argv = ["memdiag", *sys.argv[2:]]
    main()
