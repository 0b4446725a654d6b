"""Steps from one version of the store's schema to the next, run by Alembic."""

__all__: list[str] = []
