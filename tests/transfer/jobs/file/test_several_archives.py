"""One reading of a drive fills several archives: a file has a place, and a proof, in each of them."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from tests.support.desks import NOON, Desk
from tests.support.nights import Computer, noise
from transfer.archive.contents import holdings_of
from transfer.archive.dating import Dating
from transfer.archive.held import archive_failure, held_archive
from transfer.archive.naming import Namer, NameSources
from transfer.archive.shelf import OF_AN_ARCHIVE, Shelf
from transfer.archive.skies import Skies
from transfer.engine.copy.destination import Destination
from transfer.engine.copy.rounds import Rounds
from transfer.engine.medium import PinnedFolder, this_computer
from transfer.engine.records import Records
from transfer.engine.surroundings import Surroundings
from transfer.errors import DriveFailed
from transfer.events import nobody
from transfer.jobs.file.account import Account
from transfer.jobs.file.bag_items import bag_delivery
from transfer.jobs.file.finishing import Finishing
from transfer.jobs.file.items import Delivery
from transfer.jobs.file.planning import Planner, SourceDigests
from transfer.jobs.file.receiving import Filing, Receiving
from transfer.stop import Stop

NIGHT = "2026-03-14"


@contextmanager
def filing_into(desk: Desk) -> Iterator[Filing]:
    around = Surroundings(this_computer(), Records(desk.root / "records"), Stop(), nobody, lambda: NOON)
    with held_archive(desk.archive, around, wait_s=0) as archive:
        shelf = Shelf(archive)
        shelf.begin()
        with holdings_of(archive.folder, may_write=True) as holdings:
            namer = Namer(NameSources(), holdings.in_use())
            planner = Planner(namer, shelf, holdings, SourceDigests(around.medium), archive.limits)
            yield Filing(archive, shelf, planner, holdings, Skies(None))
        shelf.leave()


class Reads:
    """A pinned drive that counts how often each of its files is opened."""

    def __init__(self, folder: PinnedFolder) -> None:
        self._folder = folder
        self.opened: list[str] = []

    def open_file(self, path: str) -> int:
        self.opened.append(path)
        return self._folder.open_file(path)


def file_into_both(
    delivery: Delivery, below: Reads, filings: list[Filing], failed: int = -1
) -> list[Account]:
    """File the delivery's one portion into every archive; the one with the number `failed` fails."""
    (portion,) = delivery.portions
    sides, receivings = [], []
    for number, filing in enumerate(filings):
        plan = filing.planner.plan(portion.items)
        planned = {each.item.opened: each for each in plan.carry}
        receiving = Receiving(filing, delivery, planned, Stop(), lambda: None)
        root = filing.archive.root
        archive = Destination(root, lambda error, root=root: archive_failure(error, root), OF_AN_ARCHIVE)
        if number == failed:
            archive.fail(DriveFailed("broken", root, ""))
        receivings.append(receiving)
        sides.append(receiving.side(archive))
    opening = receivings[0].opening
    rounds = Rounds(sides, lambda task: opening(task)._replace(below=below), this_computer(), Stop(), nobody)
    rounds.run()
    accounts = [Account(delivery, listing=True) for _ in filings]
    for receiving, side, account in zip(receivings, sides, accounts, strict=True):
        Finishing(receiving, side, account, Stop()).finish()
    return accounts


def delivered(stick: Path, held: ExitStack) -> tuple[Delivery, Reads]:
    medium = this_computer()
    pinned = medium.pin(stick)
    held.callback(pinned.close)
    return bag_delivery(pinned, NIGHT, Dating(medium, -1.9), "a night"), Reads(pinned)


def test_a_file_is_read_once_and_has_its_place_in_each_of_two_archives(
    computer: Computer, stick: Path, desk: Desk, tmp_path: Path
):
    computer.small_night()
    computer.send(stick)
    other = Desk(tmp_path / "other", archive_at=tmp_path / "second archive")
    with ExitStack() as held:
        filings = [held.enter_context(filing_into(each)) for each in (desk, other)]
        delivery, reads = delivered(stick, held)
        accounts = file_into_both(delivery, reads, filings)
    assert [account.result().filed for account in accounts] == [5, 5]
    assert len(reads.opened) == len(set(reads.opened)) == 5
    assert desk.files() == other.files()
    desk.assert_all_valid()
    other.assert_all_valid()


def test_each_archive_has_its_own_places(computer: Computer, stick: Path, desk: Desk, tmp_path: Path):
    """One has another frame under the same name already: the new one gets another name there, only there."""
    frame = computer.frame("light.fits", data=noise(100, 1))
    computer.send(stick)
    other = Desk(tmp_path / "other", archive_at=tmp_path / "second archive")
    years = tmp_path / "years"
    years.mkdir()
    (years / "light.fits").write_bytes(frame.read_bytes()[:-2880] + noise(2880, 9))
    assert other.file(years).filed == 1
    with ExitStack() as held:
        filings = [held.enter_context(filing_into(each)) for each in (desk, other)]
        delivery, reads = delivered(stick, held)
        file_into_both(delivery, reads, filings)
    assert list(desk.files()) == ["M 51/data/2026-03-14/Ha/light.fits"]
    assert sorted(other.files()) == [
        "M 51/data/2026-03-14/Ha/light (2).fits",
        "M 51/data/2026-03-14/Ha/light.fits",
    ]


def test_an_archive_that_fails_does_not_hold_up_the_other(
    computer: Computer, stick: Path, desk: Desk, tmp_path: Path
):
    computer.small_night()
    computer.send(stick)
    other = Desk(tmp_path / "other", archive_at=tmp_path / "second archive")
    with ExitStack() as held:
        filings = [held.enter_context(filing_into(each)) for each in (desk, other)]
        delivery, reads = delivered(stick, held)
        accounts = file_into_both(delivery, reads, filings, failed=0)
    assert [account.result().filed for account in accounts] == [0, 5]
    assert [account.result().refused for account in accounts] == [5, 0]
    assert desk.files() == {}
    other.assert_all_valid()
