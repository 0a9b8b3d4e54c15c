"""`python -m lampwalk`: the command line."""

from .cli import program

if __name__ == "__main__":
    program()
