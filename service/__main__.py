"""`handrecord COMMAND`, also `python -m service COMMAND`."""

from __future__ import annotations

from service.commands import app


def main() -> None:
    """Run the command line."""
    app()


if __name__ == "__main__":
    main()
