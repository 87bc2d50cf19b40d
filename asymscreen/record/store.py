"""Where the record lives: the home folder, the database, its migrations and its transactions.

SQLite in write-ahead mode in the home folder by default; PostgreSQL by URL. Never put the SQLite file on a
network folder: its write-ahead log needs shared memory.
"""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import platformdirs
from sqlalchemy import Connection, Engine, create_engine, event, exc, inspect, text
from sqlalchemy.orm import Session

from asymscreen.errors import RecordError
from asymscreen.record.migrations import HEAD

HOME_VARIABLE = "ASYMSCREEN_HOME"
DATABASE_VARIABLE = "ASYMSCREEN_DATABASE"
DATABASE_NAME = "record.sqlite3"
SQLITE = "sqlite"
"""As a URL: the file in the home folder, whatever the environment says."""
BUSY_TIMEOUT_S = 30.0
"""How long a writer waits for another one, seconds."""
MIGRATION_LOCK = 0x61_73_79_6D
"""Key of PostgreSQL's advisory lock: one process migrates, the others wait."""


@dataclass(frozen=True)
class Store:
    """An open record: `home` holds files (kept clips, the coach's rules), `engine` the database."""

    home: Path
    engine: Engine

    @property
    def clips(self) -> Path:
        """Folder of the kept clips."""
        return self.home / "clips"

    @property
    def database_file(self) -> Path | None:
        """The SQLite file, or None where a server keeps the record."""
        return Path(self.engine.url.database or "") if self.is_sqlite else None

    @property
    def is_sqlite(self) -> bool:
        return self.engine.dialect.name == "sqlite"

    @contextmanager
    def reading(self) -> Iterator[Session]:
        """One consistent look at the record. RecordError where the database refuses."""
        engine = self.engine
        if not self.is_sqlite:
            engine = engine.execution_options(isolation_level="REPEATABLE READ")
        with self._session(engine) as session:
            yield session

    @contextmanager
    def writing(self) -> Iterator[Session]:
        """One transaction: all of it is kept, or on any error nothing. RecordError as in `reading`."""
        with self._session(self.engine.execution_options(asymscreen_write=True)) as session:
            yield session
            session.commit()

    @contextmanager
    def _session(self, engine: Engine) -> Iterator[Session]:
        try:
            with Session(engine, expire_on_commit=False) as session:
                yield session
        except exc.SQLAlchemyError as error:
            raise _refused(self.engine, error) from error

    def close(self) -> None:
        """Give back every connection; the store can not be used afterwards."""
        self.engine.dispose()

    def __enter__(self) -> Store:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, _: object) -> None:
        self.close()
        # a query outside `reading` and `writing` met a damaged file
        if isinstance(error, exc.SQLAlchemyError | sqlite3.Error):
            raise _refused(self.engine, error) from error


def find_home(home: Path | str | None = None) -> Path:
    """The home folder: the one given, else `ASYMSCREEN_HOME`, else the user's data folder."""
    if home is not None and str(home):
        return Path(home)
    named = os.environ.get(HOME_VARIABLE, "")
    return Path(named) if named else Path(platformdirs.user_data_dir("asymscreen", appauthor=False))


def open_store(home: Path | str | None = None, url: str | None = None) -> Store:
    """Open the record, making and migrating it where needed.

    `url` (else `ASYMSCREEN_DATABASE`) names a PostgreSQL database, `postgresql+psycopg://...`; without one
    the record is `record.sqlite3` in the home folder. RecordError for a folder that cannot be made, a file
    that is no record, a server that does not answer, or a record of a newer version.
    """
    place = find_home(home).expanduser().absolute()
    try:
        place.mkdir(parents=True, exist_ok=True, mode=0o700)
    except OSError as error:
        raise RecordError(
            f"{place}: expected a folder for the record, could not make it ({error.strerror}); "
            "choose another with --home"
        ) from error
    named = url or os.environ.get(DATABASE_VARIABLE, "")
    store = Store(place, _engine(named, place / DATABASE_NAME))
    try:
        _migrate(store.engine)
    except BaseException:
        store.close()
        raise
    return store


def _engine(url: str, file: Path) -> Engine:
    if url in ("", SQLITE):
        return sqlite_engine(file)
    try:
        engine = create_engine(_with_driver(url), pool_pre_ping=True)
    except (exc.ArgumentError, ImportError) as error:
        raise RecordError(
            "database: expected a URL like postgresql://user@host/name and the server extra installed, "
            f"got an unusable one ({type(error).__name__}); pip install 'asymscreen[server]'"
        ) from error
    if engine.dialect.name != "postgresql":
        raise RecordError(
            f"database: expected a PostgreSQL URL, got {engine.dialect.name}; leave it out for SQLite"
        )
    return engine


def _with_driver(url: str) -> str:
    for scheme in ("postgresql://", "postgres://"):
        if url.startswith(scheme):
            return "postgresql+psycopg://" + url.removeprefix(scheme)
    return url


def sqlite_engine(file: Path) -> Engine:
    """An engine on one SQLite file: write-ahead log, foreign keys, overwriting deletion, full sync."""
    if not file.exists():
        _private(file)
    engine = create_engine(f"sqlite:///{file}", connect_args={"timeout": BUSY_TIMEOUT_S})

    @event.listens_for(engine, "connect")
    def _on_connect(connection: Any, _: Any) -> None:
        connection.isolation_level = None
        _write_ahead(connection)
        for pragma in ("synchronous=FULL", "foreign_keys=ON", "secure_delete=ON"):
            connection.execute(f"PRAGMA {pragma}")

    @event.listens_for(engine, "begin")
    def _on_begin(connection: Connection) -> None:
        writes = connection.get_execution_options().get("asymscreen_write")
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


def _write_ahead(connection: Any) -> None:
    """Turn the write-ahead log on. SQLite does not wait for others there, whatever its time limit, so that
    two who open a fresh file together would shut each other out: ask again."""
    until = time.monotonic() + BUSY_TIMEOUT_S
    while True:
        try:
            connection.execute("PRAGMA journal_mode=WAL")
            return
        except sqlite3.OperationalError as error:
            if "locked" not in str(error) or time.monotonic() > until:
                raise
            time.sleep(0.05)


def _private(file: Path) -> None:
    """Make an empty file that only its owner may read, so that the database inherits it."""
    try:
        os.close(os.open(file, os.O_CREAT | os.O_RDWR, 0o600))
    except OSError as error:
        raise RecordError(
            f"{file}: expected to write the record there, got {error.strerror}; choose another with --home"
        ) from error


def _migrate(engine: Engine) -> None:
    """Bring the database to HEAD in one transaction; a look only, where it is there already."""
    try:
        with engine.connect() as connection:
            if _version(connection) == HEAD:
                return
        with engine.execution_options(asymscreen_write=True).begin() as connection:
            if engine.dialect.name == "postgresql":
                connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": MIGRATION_LOCK})
            if _version(connection) != HEAD:
                _upgrade(connection)
    except exc.SQLAlchemyError as error:
        raise _refused(engine, error) from error


def _version(connection: Connection) -> str | None:
    if not inspect(connection).has_table("alembic_version"):
        return None
    found = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
    return None if found is None else str(found)


def migrations_config() -> Any:
    """Alembic's configuration for the migrations that the package ships."""
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", "asymscreen.record:migrations")
    config.set_main_option("path_separator", "os")
    return config


def _upgrade(connection: Connection) -> None:
    from alembic import command
    from alembic.util import CommandError

    config = migrations_config()
    config.attributes["connection"] = connection
    try:
        command.upgrade(config, "head")
    except CommandError as error:
        raise RecordError(
            f"record: expected version {HEAD} or older, got {_version(connection)}; "
            "install the newer asymscreen that wrote it"
        ) from error


def _refused(engine: Engine, error: exc.SQLAlchemyError | sqlite3.Error) -> RecordError:
    """What the database said, without statements or parameters: those may hold what a lifter told."""
    said = (
        str(
            getattr(error, "orig", None)
            or (error if isinstance(error, sqlite3.Error) else type(error).__name__)
        )
        .strip()
        .splitlines()
    )
    where = Path(engine.url.database or "record").name
    return RecordError(
        f"{where}: expected the record to answer, the database said: {said[0] if said else 'nothing'}; "
        "check the file or server, then try again"
    )
