"""`python -m sonify`."""

from sonify.cli.app import main

if __name__ == "__main__":
    main()
