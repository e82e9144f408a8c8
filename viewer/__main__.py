"""``python -m viewer``: the ``lowside`` command."""

from viewer.cli import main

if __name__ == "__main__":
    main()
