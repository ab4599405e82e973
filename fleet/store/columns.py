"""Columns and tables of the database: types that mean the same on SQLite and PostgreSQL."""

from __future__ import annotations

from sqlalchemy import REAL, BigInteger, Column, Double, Integer, MetaData, Table, Text
from sqlalchemy.schema import SchemaItem

METADATA = MetaData()


def real(name: str, nullable: bool = True) -> Column[float]:
    """A column of floats."""
    return Column(name, Double().with_variant(REAL, "sqlite"), nullable=nullable)


def whole(name: str, nullable: bool = False) -> Column[int]:
    """A column of whole numbers of 64 bits."""
    return Column(name, BigInteger().with_variant(Integer, "sqlite"), nullable=nullable)


def text_(name: str, nullable: bool = True) -> Column[str]:
    """A column of text."""
    return Column(name, Text, nullable=nullable)


def table(name: str, *parts: SchemaItem, keyed: bool = False) -> Table:
    """A STRICT table; `keyed` clusters it by its primary key."""
    return Table(name, METADATA, *parts, sqlite_strict=True, sqlite_with_rowid=not keyed)
