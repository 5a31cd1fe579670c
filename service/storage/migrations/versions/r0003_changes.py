"""Changes in their order: earlier versions are found by when they were made.

The claims of conditional creates go. Writers come one at a time on both databases, and a condition is searched in the
transaction that creates, so there is no moment for a second one; and a claim would outlive what it stood for as soon
as the resource is changed.
"""

from __future__ import annotations

from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Index earlier versions by their moment; drop the claims."""
    op.create_index("resource_version_updated_pk_version", "resource_version", ["updated", "pk", "version"])
    op.drop_table("claim")
