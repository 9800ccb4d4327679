"""The fleet picture as a piece of a study file, as sentences and as JSON."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from noisemap.inspection.fleet import (
    GROUPS,
    Draws,
    FleetRows,
    Interval,
    exhaust_shares,
    found_per_hour,
    interval,
    quiet_split,
    repair_gain,
)
from noisemap.inspection.programme import Effort
from noisemap.outputs.inspection_programme import effort_json
from noisemap.outputs.wording import plain

SPLIT_SEEN = "after-treatment and muffled: by the exhausts that were looked at"
SPLIT_KEPT = (
    "after-treatment and muffled: levels cannot tell them apart and too few exhausts were looked "
    "at; the study's own split is kept"
)
CAUTIONS: tuple[str, ...] = (
    "Shares are those of the passes measured with the retarder heard, not of a register.",
    "Levels alone hardly part a worn exhaust from a quiet one; exhausts that were looked at do.",
    "Passes that nobody measured because they were quiet make worn and straight look commoner.",
)


@dataclass(frozen=True)
class FleetPicture:
    """All figures of one fleet."""

    rows: FleetRows
    draws: Draws
    shares: dict[str, float]
    split_seen: bool
    effort: Effort
    seed: int

    def share(self, place: int) -> Interval:
        """Share of a group with its interval [1]."""
        return interval(self.draws.share[:, place])


def fleet_picture(
    rows: FleetRows,
    draws: Draws,
    study_split: tuple[float, float],
    effort: Effort,
    seed: int,
) -> FleetPicture:
    """Shares for the study from the samples."""
    split, seen = quiet_split(rows, study_split)
    quiet, worn, straight = (float(v) for v in draws.share.mean(axis=0))
    shares = exhaust_shares(quiet, worn, straight, split)
    return FleetPicture(rows, draws, shares, seen, effort, seed)


def fleet_toml(picture: FleetPicture, provenance: str) -> str:
    """Text of fleet.toml: the study's table of shares, and the intervals as remarks."""
    remarks = [plain(provenance, 300), *fleet_lines(picture)]
    lines = [f"# {text}" for text in remarks]
    lines += ["", "[traffic.exhaust_shares]"]
    lines += [f"{name} = {share:.4f}" for name, share in picture.shares.items()]
    return "\n".join(lines) + "\n"


def fleet_lines(picture: FleetPicture) -> Iterator[str]:
    """The fleet in plain sentences."""
    rows = picture.rows
    yield (
        f"{rows.level.size} passes, {int((rows.group >= 0).sum())} with the exhaust looked at; "
        + "left out: "
        + (", ".join(f"{n} {why}" for why, n in rows.left_out.items() if n) or "none")
    )
    for place, name in enumerate(GROUPS):
        share = picture.share(place)
        mean, spread = (
            interval(picture.draws.mean[:, place]),
            interval(picture.draws.spread[:, place]),
        )
        yield (
            f"{name}: {100 * share.value:.1f} % (90 % interval {100 * share.low:.1f} to "
            f"{100 * share.high:.1f}), {mean.value:.1f} dB(A) at 50 ft ({mean.low:.1f} to "
            f"{mean.high:.1f}), spread {spread.value:.1f} dB ({spread.low:.1f} to "
            f"{spread.high:.1f})"
        )
    yield SPLIT_SEEN if picture.split_seen else SPLIT_KEPT
    effort = picture.effort
    gain = repair_gain(picture.draws, effort.reached)
    found = found_per_hour(picture.draws, effort.inspected_per_hour * effort.found)
    yield (
        f"repairing {100 * effort.reached:.0f} % of worn and straight exhausts makes the energy "
        f"mean of braking passes at the roadside quieter by {gain.value:.1f} dB "
        f"({gain.low:.1f} to {gain.high:.1f})"
    )
    yield (
        f"an hour that inspects {effort.inspected_per_hour:g} trucks, and finds "
        f"{100 * effort.found:.0f} % of the worn and straight exhausts among them, finds "
        f"{found.value:.2f} ({found.low:.2f} to {found.high:.2f})"
    )
    yield f"seed {picture.seed}"
    yield from CAUTIONS


def fleet_json(picture: FleetPicture) -> dict[str, Any]:
    """The fleet as one JSON-able object."""
    draws, effort = picture.draws, picture.effort
    return {
        "version": 1,
        "passes": int(picture.rows.level.size),
        "looked_at": int((picture.rows.group >= 0).sum()),
        "left_out": picture.rows.left_out,
        "groups": {
            name: {
                "share": _json(picture.share(place)),
                "mean_dba_at_50_ft": _json(interval(draws.mean[:, place])),
                "spread_db": _json(interval(draws.spread[:, place])),
            }
            for place, name in enumerate(GROUPS)
        },
        "exhaust_shares": picture.shares,
        "split": SPLIT_SEEN if picture.split_seen else SPLIT_KEPT,
        "effort": effort_json(effort),
        "roadside_quieter_by_db": _json(repair_gain(draws, effort.reached)),
        "found_per_hour": _json(found_per_hour(draws, effort.inspected_per_hour * effort.found)),
        "seed": picture.seed,
        "cautions": list(CAUTIONS),
    }


def _json(value: Interval) -> dict[str, float]:
    return {
        "value": round(value.value, 4),
        "low": round(value.low, 4),
        "high": round(value.high, 4),
    }
