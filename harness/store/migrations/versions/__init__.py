"""The steps, one file each; Alembic loads them by their revision."""

__all__: list[str] = []
