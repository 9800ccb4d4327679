"""The invented counts and roadside readings of Brindle Gap."""

from __future__ import annotations

import csv
import hashlib
from pathlib import Path

import numpy as np
from design_roads import CROSS_STREETS, LONG_STREETS

LIGHT_BY_HOUR = (  # share of the day's vehicles [%], hour 0 first
    0.6, 0.4, 0.3, 0.3, 0.6, 1.6, 4.0, 6.6, 6.4, 5.2, 5.2, 5.6,
    5.9, 5.9, 6.4, 7.4, 8.2, 8.4, 6.4, 4.8, 3.6, 2.8, 2.0, 1.4,
)  # fmt: skip
HEAVY_BY_HOUR = (  # trucks run through the night
    2.6, 2.2, 2.0, 2.2, 2.8, 3.6, 4.6, 5.0, 5.4, 5.8, 5.8, 5.6,
    5.4, 5.4, 5.4, 5.2, 4.8, 4.6, 4.2, 3.8, 3.8, 3.6, 3.2, 3.0,
)  # fmt: skip
WORK_BY_HOUR = (  # the mill's own trucks, day shift
    0, 0, 0, 0, 0, 4, 10, 12, 10, 8, 8, 8, 8, 8, 8, 7, 6, 3, 0, 0, 0, 0, 0, 0,
)  # fmt: skip
EXHAUST_SHARES = {"after_treatment": 0.50, "muffled": 0.40, "worn": 0.06, "straight": 0.04}

READING_COLUMNS = (
    "reading_id", "run", "date", "time", "site", "target_point", "lane", "distance_ft",
    "site_surface", "speed_limit_mph", "reading_dba", "ambient_before", "ambient_after",
    "wind_mph", "gust_mph", "precipitation", "microphone_height_ft", "rise_db", "fall_db",
    "model_year", "exhaust_condition", "tyres", "vehicle", "carrier", "plate", "officer",
    "training",
    "meter_serial", "calibrator_serial", "lab_calibration_date", "field_check_before",
    "field_check_after", "recording_sha256", "retarder_heard_by", "tyres_original",
    "gross_weight_lb", "exempt", "interstate", "meter_type", "windscreen",
    "microphone_above_surface_ft", "observer_distance_ft", "open_radius_ft",
    "tunnel_distance_ft", "lane_dry", "inside_zone", "emergency_seen",
)  # fmt: skip
SITES = (  # name, distance [ft], surface, speed limit [mph], usual level [dB(A)]
    ("Milepost 3.7 pull-out", 50, "hard", 45, 85.0),
    ("Bench Lane mouth", 52, "soft", 45, 84.0),
    ("Grade View Park", 60, "soft", 45, 82.0),
    ("Wall Row east end", 36, "hard", 35, 83.5),
    ("Main at Cedar", 45, "hard", 35, 82.0),
)
CARRIERS = (
    "Gap Haulage",
    "Three Forks Freight",
    "Tall Pine Timber",
    "Owner operator",
    "Quarry Lines",
)
EXHAUST_CONDITIONS = ("after-treatment", "muffler sound", "muffler leaking", "no muffler")
EXHAUST_LIFT = (-5.0, -1.0, 3.5, 8.0)  # [dB]
READING_COUNT = 30

READING_FAULTS: tuple[dict[str, object], ...] = (
    {"id": "R03", "field": "wind_mph", "value": "14", "fault": "wind above 12 mph"},
    {"id": "R06", "field": "gust_mph", "value": "23", "fault": "gusts above 20 mph"},
    {"id": "R08", "field": "distance_ft", "value": "28", "fault": "microphone nearer than 31 ft"},
    {"id": "R09", "field": "distance_ft", "value": "83", "fault": "no row in the table"},
    {"id": "R12", "field": "ambient_before", "value": "78.5", "fault": "ambient too near"},
    {"id": "R14", "field": "precipitation", "value": "rain", "fault": "precipitation"},
    {"id": "R16", "field": "microphone_height_ft", "value": "7", "fault": "microphone above 6 ft"},
    {"id": "R17", "field": "rise_db", "value": "4", "fault": "rise below 6 dB"},
    {"id": "R19", "field": "interstate", "value": "no", "fault": "not in interstate commerce"},
    {"id": "R20", "field": "field_check_after", "value": "95.6", "fault": "field check drifted"},
    {"id": "R22", "field": "lab_calibration_date", "value": "2023-02-14", "fault": "too old"},
    {"id": "R24", "field": "reading_dba", "value": "", "fault": "no reading"},
    {"id": "R26", "field": "carrier", "value": "=HYPERLINK(1)", "fault": "formula in a text"},
    {"id": "R28", "field": "fall_db", "value": "5", "fault": "fall below 6 dB"},
    {"id": "R29", "field": "speed_limit_mph", "value": "forty-five", "fault": "number in words"},
)  # fmt: skip


def _spread(daily: float, by_hour: tuple[float, ...]) -> list[float]:
    total = sum(by_hour)
    return [daily * share / total for share in by_hour]


def write_traffic(path: Path) -> None:
    """Vehicles per hour by road, direction, hour, class and exhaust state."""
    rows: list[tuple[object, ...]] = []

    def count(
        road: str, direction: str, vehicle_class: str, daily: float, by_hour: tuple[float, ...]
    ) -> None:
        states = EXHAUST_SHARES if vehicle_class == "heavy" else {"": 1.0}
        for hour, number in enumerate(_spread(daily, by_hour)):
            for state, share in states.items():
                if number * share > 0.0:
                    value = f"{number * share:.4g}"
                    rows.append((road, direction, hour, vehicle_class, state, value))

    for direction in ("downhill", "uphill"):
        count("SR 77", direction, "light", 4000.0, LIGHT_BY_HOUR)
        count("SR 77", direction, "medium", 150.0, LIGHT_BY_HOUR)
        count("SR 77", direction, "heavy", 350.0, HEAVY_BY_HOUR)
        count("Old Grade Road", direction, "light", 260.0, LIGHT_BY_HOUR)
        count("Old Grade Road", direction, "heavy", 14.0, HEAVY_BY_HOUR)
    count("Mill Road", "both", "light", 380.0, LIGHT_BY_HOUR)
    count("Mill Road", "both", "heavy", 90.0, WORK_BY_HOUR)
    count("Ridge Road", "both", "light", 220.0, LIGHT_BY_HOUR)
    for _, name in LONG_STREETS:
        count(name, "both", "light", 420.0, LIGHT_BY_HOUR)
        count(name, "both", "medium", 8.0, WORK_BY_HOUR)
    for _, name in CROSS_STREETS:
        count(name, "both", "light", 260.0, LIGHT_BY_HOUR)
    head = ("road", "direction", "hour", "vehicle_class", "exhaust_state", "vehicles_per_hour")
    _write(path, head, rows)


def write_readings(path: Path, rng: np.random.Generator) -> None:
    """An invented record sheet of roadside readings, some of them not valid on purpose."""
    faults = {str(f["id"]): f for f in READING_FAULTS}
    rows = []
    for number in range(1, READING_COUNT + 1):
        row = _reading(number, rng)
        fault = faults.get(str(row["reading_id"]))
        if fault is not None:
            row[str(fault["field"])] = fault["value"]
            if fault["field"] == "wind_mph":
                row["gust_mph"] = 19
        rows.append(tuple(row[c] for c in READING_COLUMNS))
    _write(path, READING_COLUMNS, rows)


def _reading(number: int, rng: np.random.Generator) -> dict[str, object]:
    site, distance, surface, limit, level = SITES[(number - 1) % len(SITES)]
    state = int(rng.choice(4, p=[0.35, 0.35, 0.15, 0.15]))
    ambient = rng.uniform(52.0, 60.0)
    wind = int(rng.integers(0, 10))
    name = f"R{number:02d}"
    return {
        "reading_id": name,
        "run": "highway",
        "date": f"2026-{4 + (number - 1) // 10:02d}-{10 + (number - 1) % 10:02d}",
        "time": f"{int(rng.integers(6, 21)):02d}:{int(rng.integers(0, 60)):02d}",
        "site": site,
        "target_point": f"peg {(number - 1) % len(SITES) + 1}",
        "lane": "downhill",
        "distance_ft": distance,
        "site_surface": surface,
        "speed_limit_mph": limit,
        "reading_dba": f"{level + EXHAUST_LIFT[state] + rng.normal(0.0, 1.5):.1f}",
        "ambient_before": f"{ambient:.1f}",
        "ambient_after": f"{ambient + rng.normal(0.0, 0.8):.1f}",
        "wind_mph": wind,
        "gust_mph": wind + int(rng.integers(1, 7)),
        "precipitation": "none",
        "microphone_height_ft": 4,
        "rise_db": int(rng.integers(9, 19)),
        "fall_db": int(rng.integers(9, 19)),
        "model_year": int(rng.integers(1983, 2025)),
        "exhaust_condition": EXHAUST_CONDITIONS[state],
        "tyres": str(rng.choice(["ribbed", "lug, vented", "cavities"], p=[0.6, 0.3, 0.1])),
        "vehicle": str(rng.choice(["tractor and semitrailer", "truck and trailer", "dump truck"])),
        "carrier": str(rng.choice(CARRIERS)),
        "plate": f"BG {int(rng.integers(1000, 9999))}",
        "officer": str(rng.choice(["Invented Officer A", "Invented Officer B"])),
        "training": "2025-11-03",
        "meter_serial": "SLM-0417",
        "calibrator_serial": "CAL-0093",
        "lab_calibration_date": "2026-01-20",
        "field_check_before": f"{94.0 + rng.normal(0.0, 0.1):.1f}",
        "field_check_after": f"{94.0 + rng.normal(0.0, 0.1):.1f}",
        "recording_sha256": hashlib.sha256(f"invented recording {name}".encode()).hexdigest(),
        "retarder_heard_by": str(
            rng.choice(["officer", "officer and recording", ""], p=[0.5, 0.4, 0.1])
        ),
        "tyres_original": "yes",
        "gross_weight_lb": 1000 * int(rng.integers(26, 81)),
        "exempt": "none",
        "interstate": str(rng.choice(["yes", ""], p=[0.9, 0.1])),
        "meter_type": "Type 1",
        "windscreen": "yes",
        "microphone_above_surface_ft": 4,
        "observer_distance_ft": 6,
        "open_radius_ft": 70,
        "tunnel_distance_ft": 900,
        "lane_dry": "yes",
        "inside_zone": str(rng.choice(["yes", ""], p=[0.7, 0.3])),
        "emergency_seen": str(rng.choice(["no", ""], p=[0.8, 0.2])),
    }


def _write(path: Path, head: tuple[str, ...], rows: list[tuple[object, ...]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(head)
        writer.writerows(rows)
