from __future__ import annotations

from datetime import date, datetime

import pytest

from transfer.cli.written_nights import night_written

# A Sunday: 15 March 2026.
MORNING, EVENING = datetime(2026, 3, 15, 6, 30), datetime(2026, 3, 15, 21, 0)  # noqa: DTZ001 - local times


@pytest.mark.parametrize(
    ("text", "now", "night"),
    [
        ("2026-03-14", MORNING, date(2026, 3, 14)),
        ("tonight", MORNING, date(2026, 3, 14)),
        ("tonight", EVENING, date(2026, 3, 15)),
        ("Yesterday", MORNING, date(2026, 3, 14)),
        ("yesterday", EVENING, date(2026, 3, 14)),
        ("sat", MORNING, date(2026, 3, 14)),
        ("Saturday", EVENING, date(2026, 3, 14)),
        ("sunday", EVENING, date(2026, 3, 15)),
        ("monday", EVENING, date(2026, 3, 9)),
    ],
)
def test_a_night_is_named_by_a_date_or_a_word(text: str, now: datetime, night: date) -> None:
    assert night_written(text, now) == night


@pytest.mark.parametrize("text", ["", "su", "tomorrow", "14.3.2026", "2026-3-14 21:00", "saturnday"])
def test_what_names_no_night_is_refused_with_the_words_that_do(text: str) -> None:
    with pytest.raises(ValueError, match="2026-03-14, or tonight, yesterday or a weekday"):
        night_written(text, MORNING)
