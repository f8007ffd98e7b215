"""One catalog on a PostgreSQL server, as several machines share it: the same commands, the same
answers."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path

import pytest
from postgres import Server
from sqlalchemy import create_engine, inspect, text

from ingest.catalog.catalog import Catalog
from ingest.catalog.custody_records import About
from ingest.catalog.records import Observer
from ingest.catalog.tables import METADATA, VERSION_TABLE, VERSIONS
from tests.conftest import Runner
from tests.e2e.further import disks_apart, offloaded

pytestmark = pytest.mark.long


@pytest.fixture
def shared(
    tmp_path: Path, ingest: Runner, postgres: Server, monkeypatch: pytest.MonkeyPatch
) -> Path:
    """Roll A003 on HERON and OTTER, in a catalog that this machine shares with others."""
    disks_apart(monkeypatch)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("INGEST_CATALOG", postgres.new())
    offloaded(tmp_path, ingest)
    return tmp_path


def test_a_new_database_gets_every_table_that_the_program_knows(postgres: Server) -> None:
    """The migrations alone make them: columns and indexes are those of the models."""
    place = postgres.new()
    Catalog.open(place).close()
    engine = create_engine(place)
    found = inspect(engine)
    assert set(found.get_table_names()) == {*METADATA.tables, VERSION_TABLE}
    for name, table in METADATA.tables.items():
        columns = {column["name"]: column["nullable"] for column in found.get_columns(name)}
        assert columns == {column.name: column.nullable for column in table.columns}, name
        wanted = {index.name for index in table.indexes}
        assert wanted <= {index["name"] for index in found.get_indexes(name)}, name
    with engine.connect() as connection:
        version = connection.execute(text(f"SELECT version_num FROM {VERSION_TABLE}")).scalar()
    engine.dispose()
    assert version == VERSIONS[-1]


def test_machines_that_open_a_new_catalog_at_once_make_it_once(postgres: Server) -> None:
    """One makes the tables, the others wait for it."""
    place = postgres.new()

    def note(number: int) -> None:
        with Catalog.open(place) as catalog:
            catalog.note_change(Observer("ines", f"cart-{number}", "b"), About.DRIVE, "m", "lost")

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(note, range(4)))
    with Catalog.open(place) as catalog:
        machines = {change.observer.machine for change in catalog.changes(About.DRIVE)}
    assert machines == {f"cart-{number}" for number in range(4)}


def test_custody_is_written_and_read_as_in_a_file(shared: Path, ingest: Runner) -> None:
    """Drives, cards and rolls set, a folder renamed, holds, the card's verdict, the bag."""
    assert ingest("drives", "set", "OTTER", "--where", "bag 2").code == 0
    ran = ingest("drives", "set", "OTTER", "--sent", "Ines' vault \\ 2", "--by", "Rui")
    assert ran.code == 0 and "in transit" in ran.out
    assert ingest("drives", "set", "OTTER", "--received", "--offsite").code == 0
    (otter,) = [
        one for one in ingest("drives", "--json").document["drives"] if one["name"] == "OTTER"
    ]
    assert (otter["standing"], otter["offsite"]) == ("kept", True)
    assert len(otter["history"]) >= 3
    assert ingest("cards", "set", "card", "--label", "CARD 7", "--due", "2030-03-20").code == 0
    assert ingest("cards", "--json").document["cards"][0]["card"] == "CARD 7"

    assert ingest("rolls", "set", "A003", "--roll", "A001", "--hold", "sync").code in (0, 3)
    assert (shared / "HERON/Saltmarsh/D01_2026-03-02/A001").is_dir()
    assert ingest("reuse", shared / "card").code == 3
    assert ingest("rolls", "set", "A001", "--no-hold").code == 0
    assert ingest("reuse", shared / "card").code == 0
    assert ingest("audit").code == 0

    told = ingest("kit", "--json").document
    cards = [*told["other_cards"], *(card for one in told["devices"] for card in one["cards"])]
    assert [card["state"] for card in cards] == ["ready"]
    ran = ingest("wrap", "--day", "1", "--json")
    assert (ran.code, ran.document["open"]) == (0, [])
    assert ingest("whatif").code == 0
    assert ingest("drives", "set", "OTTER", "--lost").code == 3
    kinds = [one["kind"] for one in ingest("wrap", "--day", "1", "--json").document["open"]]
    assert kinds == ["copies"]


def test_a_clock_of_the_catalog_is_kept_to_the_microsecond(postgres: Server) -> None:
    """Dates come back as they went in, aware."""
    at = datetime(2026, 3, 14, 18, 0, 0, 123456, tzinfo=UTC)
    with Catalog.open(postgres.new(), clock=lambda: at) as catalog:
        catalog.note_change(Observer("ines", "cart", "b"), About.DRIVE, "m", "lost")
        assert catalog.changes(About.DRIVE)[0].at == at
