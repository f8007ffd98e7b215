"""Power cuts: what the drives and the catalog hold at one instant of a running offload.

Two kinds of disk. `Reflinked` copies the images in an instant: what a file system has not sent
to its device is lost, so a missing fsync shows; a missing flush of the device does not.
`Volatile` is a disk with a cache of its own, where that shows too (see `volatile_disk`).

`Bench` holds card, catalog and two drives; a run on it is cut at many moments, and each moment
is then mounted (the file system replays its journal, as after a real cut) in the place of the
disks it was taken from.
"""

from __future__ import annotations

import contextlib
import json
import os
import random
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

import xxhash
from lxml import etree

from laboratory.intake import (
    HOME,
    CardContent,
    Intake,
    fill_card,
    final_files,
    leftovers,
    looks,
)
from laboratory.loops import (
    MIB,
    attach,
    detach,
    loop_drive,
    mount,
    need,
    need_loops,
    need_tool,
    run,
    unmount,
)
from laboratory.volatile_disk import clone, cut, volatile_disks

__all__ = [
    "DISKS",
    "PLANTED",
    "Bench",
    "Moment",
    "Truth",
    "bench",
    "need_fuse",
    "need_power",
    "violations",
    "whole_and_tidy",
]

CARD_SIZES = {
    "CLIPS/A001C001.RAW": 20 * MIB + 12_345,
    "CLIPS/A001C002.RAW": 6 * MIB,
    "CLIPS/A001C003.RAW": 14 * MIB + 1,
    "CLIPS/A001C004.RAW": 8 * MIB + 4096,
    "CLIPS/A001C001.XML": 2_100,
    "CLIPS/A001C002.XML": 1_900,
    "SOUND/T001.BIN": 900_000,
    "SETUP.DAT": 0,
    "STILLS/\udcff\udcfe one.DAT": 5_000,
    "-rf.DAT": 33,
    **{f"STILLS/{n // 100:03d}/S{n:05d}.DAT": 700 + 97 * n for n in range(300)},
}
"""A small card of mixed files: clips larger than one range, companions, several hundred small
ones, an empty one, and names that mean trouble."""

PLANTED = Path(__file__).with_name("planted.py")

_SIZES_MB = {"catalog": 64, "first": 160, "second": 160}
_ROOM_MB = 6000
_SECONDS = {"reflinked": 0.6, "volatile": 1.2}
"""About what a run takes once it has begun to work on the drives."""


def need_power() -> None:
    """Everything that the power cuts need must be there."""
    need_loops()
    need_tool("mkfs.ext4", "mkfs.xfs", "e2fsck")
    if not os.path.exists("/dev/fuse"):
        need("no FUSE on this machine")
    need_fuse()


def need_fuse() -> None:
    """The library that makes file systems of our own must load."""
    try:
        import mfusepy  # noqa: F401
    except (ImportError, OSError) as error:
        need(f"no FUSE library: {error}")


class Disks(Protocol):
    """The disks of one run: where their devices' files lie, and the cut."""

    def place(self, name: str) -> Path: ...

    def cut(self, target: Path, seed: int) -> None: ...


@dataclass(frozen=True, slots=True)
class Reflinked:
    """Images, copied in an instant: the catalog's first, so that it can't know of more than the
    drives' copies hold."""

    folder: Path
    direct = True

    def place(self, name: str) -> Path:
        return self.folder / name

    def cut(self, target: Path, seed: int) -> None:
        for name in _SIZES_MB:
            clone(self.folder / name, target / name)


@dataclass(frozen=True, slots=True)
class Volatile:
    """Disks with a volatile cache, all cut at the same instant."""

    mounted: Path
    direct = False

    def place(self, name: str) -> Path:
        return self.mounted / name

    def cut(self, target: Path, seed: int) -> None:
        cut(self.mounted, target, seed)


DISKS = ("reflinked", "volatile")


@dataclass(frozen=True, slots=True)
class Moment:
    """What one power cut left: an image of each disk."""

    folder: Path
    seed: int


@dataclass(frozen=True, slots=True)
class Truth:
    """What the card holds."""

    content: CardContent
    digests: dict[str, str]


@dataclass(slots=True)
class Bench:
    """Card, catalog and two drives, mounted at the same points in every run and every moment."""

    kind: str
    room: Path
    """On a file system with reflinks."""
    points: Path
    card: Path
    truth: Truth
    options: str = ""
    """Mount options of the drives."""
    journal: bool = True
    """The drives' file systems keep a journal; without one they are repaired after a cut."""
    moments: int = field(default=0)

    @property
    def catalog(self) -> Path:
        return self.points / "catalog"

    @property
    def drives(self) -> tuple[Path, Path]:
        return self.points / "first", self.points / "second"

    @property
    def intake(self) -> Intake:
        return Intake(self.card, self.drives, self.catalog / "catalog.sqlite")

    @contextmanager
    def disks(self) -> Iterator[Disks]:
        """New, empty, mounted disks."""
        live = self.room / "live"
        live.mkdir()
        try:
            for name in _SIZES_MB:
                clone(self.room / "blank" / name, live / name)
            with ExitStack() as stack:
                disks: Reflinked | Volatile = Reflinked(live)
                if self.kind == "volatile":
                    mounted = self.points / "volatile"
                    stack.enter_context(volatile_disks(live, mounted))
                    disks = Volatile(mounted)
                stack.enter_context(self._mounted(disks.place, direct=disks.direct))
                yield disks
        finally:
            shutil.rmtree(live)

    @contextmanager
    def after(self, moment: Moment) -> Iterator[None]:
        """The machine after the cut: the moment's disks mounted in the place of the real ones."""
        for name in _SIZES_MB:
            if name != "catalog" and not self.journal:
                repair(moment.folder / name)
        with self._mounted(lambda name: moment.folder / name, direct=False):
            yield

    @contextmanager
    def _mounted(self, place: object, *, direct: bool) -> Iterator[None]:
        assert callable(place)
        with ExitStack() as stack:
            for name in _SIZES_MB:
                device = attach(place(name), direct=direct)
                stack.callback(detach, device)
                options = self.options if name != "catalog" else ""
                mount(device, self.points / name, "ext4", options=options)
                stack.callback(unmount, self.points / name)
            yield

    def take(self, disks: Disks, seed: int) -> Moment:
        """Cut the power, as it were, while the run goes on."""
        folder = self.room / f"moment-{self.moments:04d}"
        self.moments += 1
        folder.mkdir()
        disks.cut(folder, seed)
        return Moment(folder, seed)

    def forget(self, moment: Moment) -> None:
        shutil.rmtree(moment.folder)

    def violations(self) -> list[str]:
        """What is false on the disks as they are mounted now."""
        return violations(self.truth, self.drives, self.intake.catalog, whole_steps=self.journal)

    def cut_at_random(self, seed: int, count: int) -> list[Moment]:
        """Run the offload, and cut it at up to `count` seeded moments; once more right after it
        said that all is well.

        With an even seed the moments are spread over time, with an odd one over the files that
        have got their final names, most of which come in a rush.
        """
        draw = random.Random(seed)
        moments = []
        with self.disks() as disks:
            intake = self.intake
            process = intake.start()
            marker = self.drives[0] / ".ingest-drive.json"
            while process.poll() is None and not marker.exists():
                time.sleep(0.005)
            begun = time.monotonic()
            for part in sorted(draw.random() for _ in range(count)):
                if seed % 2 == 0:
                    time.sleep(max(0.0, begun + part * _SECONDS[self.kind] - time.monotonic()))
                else:
                    files = int(part * 2 * len(self.truth.content))
                    while process.poll() is None and self._files_named() < files:
                        time.sleep(0.002)
                if process.poll() is not None:
                    break
                moments.append(self.take(disks, draw.getrandbits(32)))
            done = intake.end(process)
            moments.append(self.take(disks, draw.getrandbits(32)))
            assert done.code == 0, done
        return moments

    def _files_named(self) -> int:
        return sum(len(final_files(root)) for root in self.drives)

    def cut_after_evidence(
        self, bug: str, most: int = 12, *, begun: Callable[[], None] = lambda: None
    ) -> list[Moment]:
        """Run the offload with a planted bug, or "none", and cut it right after each of the
        first `most` commits of evidence. With its bug in it, it still says that all is well.
        `begun` is called when the disks are there, before the run."""
        moments: list[Moment] = []
        ask, asked = os.pipe()
        answered, answer = os.pipe()
        with self.disks() as disks:
            begun()
            intake = self.intake
            process = subprocess.Popen(
                [sys.executable, PLANTED, bug, str(asked), str(answered), *intake.words],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                text=True,
                cwd=HOME,
                env={**os.environ, "INGEST_CATALOG": str(intake.catalog)},
                pass_fds=(asked, answered),
                start_new_session=True,
            )
            os.close(asked)
            os.close(answered)
            try:
                # The pipe ends when the program does.
                while os.read(ask, 1):
                    if len(moments) < most:
                        moments.append(self.take(disks, len(moments)))
                    os.write(answer, b"!")
                done = intake.end(process)
            finally:
                os.close(ask)
                os.close(answer)
            assert done.code == 0, done
        return moments

    def violations_at(self, moment: Moment) -> list[str]:
        """What is false after this power cut; its images go."""
        with self.after(moment):
            found = self.violations()
        self.forget(moment)
        return found


def repair(image: Path) -> None:
    """What is done to a file system without a journal after a cut. e2fsck(8): 1 is "corrected"."""
    done = subprocess.run(["e2fsck", "-fy", image], capture_output=True, text=True)
    assert done.returncode in (0, 1), done.stdout


@contextmanager
def bench(kind: str, *, options: str = "commit=60", journal: bool = True) -> Iterator[Bench]:
    """Everything for power cuts on one kind of disk.

    The drives' file systems commit on their own once a minute only, not every five seconds: what
    is not flushed on purpose is then not saved by luck.
    """
    need_power()
    with loop_drive(_ROOM_MB, "xfs") as room, loop_drive(96, "ext4") as card:
        blank = room.mount / "blank"
        blank.mkdir()
        for name, size in _SIZES_MB.items():
            image = blank / name
            with open(image, "wb") as file:
                file.truncate(size * MIB)
            without = () if journal or name == "catalog" else ("-O", "^has_journal")
            run("mkfs.ext4", "-q", "-F", "-b", "4096", "-m", "0", *without, image)
        content = fill_card(card.mount, CARD_SIZES)
        (card.mount / "EMPTY").mkdir()
        digests = {path: xxhash.xxh128_hexdigest(data) for path, data in content.items()}
        run("mount", "-o", "remount,ro", card.mount)
        points = Path(tempfile.mkdtemp(prefix="power-"))
        try:
            yield Bench(
                kind, room.mount, points, card.mount, Truth(content, digests), options, journal
            )
        finally:
            for point in points.iterdir():
                unmount(point)
                with contextlib.suppress(OSError):
                    point.rmdir()
            points.rmdir()


# What must be true ------------------------------------------------------------------------------


def violations(
    truth: Truth, roots: Sequence[Path], catalog: Path, *, whole_steps: bool = True
) -> list[str]:
    """What is false on these drives and in this catalog, in sentences.

    True must be: each file under a final name is whole; each copy that the catalog knows as
    matched lies on its drive and is whole; what a journal says was compared lies there, under
    either name, and is whole; a hash list under its final name can be read and lists only what
    is there; an offload that the catalog knows as ended well left everything on every drive.

    Without `whole_steps` (a file system without a journal) a rename that was cut may have left
    neither name, so that a journal's line alone promises nothing.
    """
    found: list[str] = []
    whole: dict[Path, set[str]] = {}
    by_marker: dict[str, Path] = {}
    for root in roots:
        whole[root] = set()
        for path, place in final_files(root).items():
            if path in truth.content and place.read_bytes() == truth.content[path]:
                whole[root].add(path)
            else:
                found.append(f"{place} is wrong under its final name")
        if whole_steps:
            found += _journals(truth, root)
        found += _lists(root, whole[root])
        marker = root / ".ingest-drive.json"
        if marker.exists():
            try:
                by_marker[json.loads(marker.read_text())["drive"]] = root
            except (ValueError, KeyError):
                found.append(f"{marker} is torn")
    matched: set[tuple[str, str]] = set()
    for look in looks(catalog):
        if look.state != "matched":
            if look.act == "read back":
                found.append(f"bad news of a sound drive: {look}")
            continue
        matched.add((look.marker, look.file))
        root = by_marker.get(look.marker)
        if root is None:
            found.append(f"matched on a drive that bears no marker: {look}")
        elif look.file not in whole[root]:
            found.append(f"matched, and not whole on {root}: {look.path}")
        elif (look.size, look.digest) != (
            len(truth.content[look.file]),
            truth.digests[look.file],
        ):
            found.append(f"matched with another content than the card's: {look}")
    if _ended_well(catalog):
        for marker in {marker for marker, _ in matched}:
            root = by_marker.get(marker)
            if root is not None and whole[root] != set(truth.content):
                found.append(f"the offload ended well, and {root} does not hold everything")
        if len({marker for marker, _ in matched}) != len(roots):
            found.append("the offload ended well without evidence for every drive")
    return found


def _journals(truth: Truth, root: Path) -> Iterator[str]:
    for journal in root.rglob(".ingest-journal.jsonl"):
        for line in journal.read_bytes().split(b"\n")[:-1]:
            try:
                told = json.loads(line)
            except ValueError:
                continue  # torn by the cut, and passed over by the program too
            if "file" not in told:
                continue
            path = journal.parent / told["file"]
            beside = path.parent / told["unfinished"]
            if not any(
                place.exists() and place.read_bytes() == truth.content[told["file"]]
                for place in (path, beside)
            ):
                yield f"the journal tells of a comparison of {path}, which is not whole"


def _lists(root: Path, whole: set[str]) -> Iterator[str]:
    for history in root.rglob("ascmhl"):
        for place in history.iterdir():
            if place.name.startswith(".unfinished-"):
                continue
            try:
                tree = etree.parse(os.fspath(place))
            except etree.XMLSyntaxError as error:
                yield f"{place} is torn: {error}"
                continue
            for entry in tree.iterfind(".//{*}hashes/{*}hash/{*}path"):
                if entry.text not in whole:
                    yield f"{place} lists {entry.text}, which is not whole"


def _ended_well(catalog: Path) -> bool:
    if not catalog.exists() or catalog.stat().st_size == 0:
        return False
    with contextlib.closing(sqlite3.connect(catalog)) as connection:
        tables = connection.execute("SELECT name FROM sqlite_master").fetchall()
        if ("offload_end",) not in tables:
            return False
        rows = connection.execute("SELECT verdict FROM offload_end").fetchall()
    return ("matched",) in rows


def whole_and_tidy(bench: Bench) -> list[str]:
    """`violations`, and besides everything must be there with nothing left lying about."""
    found = bench.violations()
    told = {
        (look.marker, look.file) for look in looks(bench.intake.catalog) if look.state == "matched"
    }
    for root in bench.drives:
        missing = set(bench.truth.content) - set(final_files(root))
        if missing:
            found.append(f"{root} lacks {sorted(missing)[:5]}")
        found += [
            f"left lying about on {root}: {name}"
            for name in leftovers(root)
            # What a repair of the file system saved lies in lost+found: nobody's but the crew's.
            if not name.startswith("lost+found/")
        ]
        marker = json.loads((root / ".ingest-drive.json").read_text())["drive"]
        unproven = [path for path in bench.truth.content if (marker, path) not in told]
        if unproven:
            found.append(f"no comparison recorded on {root} for {unproven[:5]}")
    return found
