"""`python -m memdiag`."""

from memdiag.cli import main

if __name__ == "__main__":
    main()
