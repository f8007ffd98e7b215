"""What the waveforms of a picture and a sound file said, known by the two files' content."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from sqlalchemy import insert, select

from ingest.catalog.door import Door, chunks
from ingest.catalog.records import ComparedSound, Observer
from ingest.catalog.tables import WAVEFORM

__all__ = ["Waveforms"]


class Waveforms(Door):
    """The part of `Catalog` that knows which sounds were compared."""

    def record_waveforms(self, observer: Observer, compared: Sequence[ComparedSound]) -> None:
        """Add what was compared, in one transaction."""
        rows = [
            {
                "picture": one.picture,
                "sound": one.sound,
                "method": one.method,
                "same": one.same,
                "lag_us": one.lag_us,
                "who": observer.who,
                "machine": observer.machine,
                "boot": observer.boot,
                "at": one.at,
            }
            for one in compared
        ]
        if rows:
            with self._writing() as connection:
                connection.execute(insert(WAVEFORM), rows)

    def waveforms(
        self, pictures: Collection[str], method: int
    ) -> Mapping[tuple[str, str], ComparedSound]:
        """What is known of these pictures, by the content of picture and sound (`kind:digest`).

        `method`: the way of comparing that counts; the last of several answers stands.
        """
        found: dict[tuple[str, str], ComparedSound] = {}
        with self._reading() as connection:
            for some in chunks(pictures):
                query = select(WAVEFORM).where(
                    WAVEFORM.c.picture.in_(some), WAVEFORM.c.method == method
                )
                for row in connection.execute(query.order_by(WAVEFORM.c.id)):
                    found[row.picture, row.sound] = ComparedSound(
                        row.picture, row.sound, row.method, row.same, row.lag_us, row.at
                    )
        return found
