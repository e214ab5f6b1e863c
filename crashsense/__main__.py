"""``python -m crashsense``."""

from crashsense.cli import main

if __name__ == "__main__":
    main()
