"""`python -m densiscan`: the same as the command `densiscan`."""

from densiscan.cli import main

if __name__ == "__main__":
    main()
