"""`python -m netcharter` is the command line."""

from netcharter.cli import main

if __name__ == "__main__":
    main()
