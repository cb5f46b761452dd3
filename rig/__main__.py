"""The door: `anglewright` and `python -m rig`. It knows only the command line."""

from rig.cli.main import main

if __name__ == "__main__":
    main()
