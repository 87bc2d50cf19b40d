"""Fixtures of the record's tests: an open store on SQLite and on a real PostgreSQL server."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from pathlib import Path

import pytest
from record_makers import postgres
from sqlalchemy import create_engine, text

from asymscreen.record.store import DATABASE_VARIABLE, HOME_VARIABLE, Store, open_store

_NUMBERS = itertools.count()


@pytest.fixture(autouse=True)
def _no_home_of_the_user(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """No test may reach the record of whoever runs it."""
    monkeypatch.setenv(HOME_VARIABLE, str(tmp_path / "home"))
    monkeypatch.delenv(DATABASE_VARIABLE, raising=False)


@pytest.fixture(scope="session")
def postgres_server() -> Iterator[str]:
    with postgres() as url:
        yield url


@pytest.fixture
def postgres_url(postgres_server: str) -> str:
    """An empty database of its own on the server."""
    name = f"t{next(_NUMBERS)}"
    engine = create_engine(postgres_server.format(name="template1"), isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.execute(text(f"CREATE DATABASE {name} TEMPLATE template0"))
    engine.dispose()
    return postgres_server.format(name=name)


@pytest.fixture(params=["sqlite", "postgresql"])
def store(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Store]:
    """An empty record, once in each database."""
    url = request.getfixturevalue("postgres_url") if request.param == "postgresql" else None
    with open_store(tmp_path / "home", url) as opened:
        yield opened


@pytest.fixture
def sqlite_store(tmp_path: Path) -> Iterator[Store]:
    """An empty record in SQLite."""
    with open_store(tmp_path / "home") as opened:
        yield opened
