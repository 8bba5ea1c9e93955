"""Run the commands as `python -m pestvision`."""

from pestvision.cli import main

if __name__ == "__main__":
    main()
