"""The versions of a service's tables, one step each, for Alembic.

A step is never changed once it was published; a later one mends it.
"""
