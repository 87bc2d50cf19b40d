"""`python -m asymscreen` is `asymscreen`."""

from asymscreen.cli import main

if __name__ == "__main__":
    main()
