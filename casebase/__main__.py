"""`python -m casebase` is the command `casebase`."""

from casebase.commands.app import main

if __name__ == "__main__":
    main()
