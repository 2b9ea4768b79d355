"""`python -m casebase` is the command `casebase`."""

from casebase.cli import main

if __name__ == "__main__":
    main()
