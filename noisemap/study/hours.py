"""Sets of clock hours as a user writes them."""

from __future__ import annotations

import re

ALL_HOURS = frozenset(range(24))


def parse_hours(text: str) -> frozenset[int]:
    """Whole clock hours covered by text such as `22-7`, `0-24` or `6-9,15-18`.

    Each part runs from the first hour up to, not including, the second, and may
    run over midnight.

    >>> sorted(parse_hours("22-2"))
    [0, 1, 22, 23]
    >>> len(parse_hours("0-24")), sorted(parse_hours("6-8, 15-16"))
    (24, [6, 7, 15])
    >>> parse_hours("22:30-6")
    Traceback (most recent call last):
    ...
    ValueError: '22:30-6' is not a span of whole hours; write for example "22-7" or "6-9,15-18"
    """
    hours: set[int] = set()
    for part in text.split(","):
        match = re.fullmatch(r"\s*(\d{1,2})(?::00)?\s*-\s*(\d{1,2})(?::00)?\s*", part)
        first, last = (int(match[1]), int(match[2])) if match else (99, 99)
        if not match or first > 23 or last > 24 or first == last:
            raise ValueError(
                f"{part.strip()!r} is not a span of whole hours; "
                'write for example "22-7" or "6-9,15-18"'
            )
        span = last - first if last > first else last - first + 24
        hours.update((first + step) % 24 for step in range(span))
    return frozenset(hours)


def show_hours(hours: frozenset[int]) -> str:
    """The set of hours as text.

    >>> show_hours(frozenset({22, 23, 0, 1})), show_hours(ALL_HOURS), show_hours(frozenset({5, 7}))
    ('22-2', 'all day', '5-6,7-8')
    """
    if hours == ALL_HOURS:
        return "all day"
    starts = sorted(hour for hour in hours if (hour - 1) % 24 not in hours)
    spans = []
    for start in starts:
        length = next(n for n in range(1, 25) if (start + n) % 24 not in hours)
        spans.append(f"{start}-{(start + length) % 24}")
    return ",".join(spans)
