"""`python -m gradecheck`: the command line."""

from gradecheck.cli import main

if __name__ == "__main__":
    main()
