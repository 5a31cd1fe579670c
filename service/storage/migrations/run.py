"""Running the migrations on an open connection."""

from __future__ import annotations

from pathlib import Path

from alembic import command
from alembic.config import Config
from sqlalchemy import Connection


def config(connection: Connection) -> Config:
    """Alembic's configuration, made here: there is no ini file."""
    made = Config()
    made.set_main_option("script_location", str(Path(__file__).parent))
    made.set_main_option("path_separator", "os")
    made.attributes["connection"] = connection
    return made


def upgrade(connection: Connection) -> None:
    """Run every migration the database has not seen, inside the caller's transaction."""
    command.upgrade(config(connection), "head")
