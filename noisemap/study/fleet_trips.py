"""From a study file and a table of trips to the fleet's burden."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any, get_args

from noisemap.errors import BadDataError, UsageError
from noisemap.outputs.route_fleet import fleet_json, verdict_words, write_fleet
from noisemap.outputs.route_page import Occasion
from noisemap.readers.tables import read_table
from noisemap.routes.choose import Answer, find_routes, places_of_homes, usable_links
from noisemap.routes.fleet import FleetResult, FleetTrip, hour_weights, trip_result
from noisemap.states import EXHAUST_STATES, ExhaustState
from noisemap.storage import FolderLock
from noisemap.study.descend import Place, Wish, chosen_trucks, chosen_zones, listen, occasion
from noisemap.study.prepare import prepare, results_folder
from noisemap.study.progress import Reporter
from noisemap.study.route import Load, request, resolve

COLUMNS = ("trip", "from", "to", "depart", "truck", "exhaust", "count")
MOST_ROUTES = 5
_CLOCK = re.compile(r"^([01]?\d|2[0-3]):([0-5]\d)$")


@dataclass(frozen=True)
class FleetTripsResult:
    """What `noisemap fleet-trips` leaves."""

    folder: Path
    files: tuple[Path, ...]
    result: FleetResult
    study: Occasion

    @property
    def summary(self) -> str:
        """The answer on one screen, and where the files are."""
        names = ", ".join(str(file.relative_to(self.folder)) for file in self.files)
        said = "\n".join((*self.study.notes, verdict_words(self.result)))
        return f"{said}\nWritten to {self.folder}: {names}"

    def as_json(self) -> dict[str, Any]:
        """The answer as plain data."""
        files = [str(file.relative_to(self.folder)) for file in self.files]
        return {"folder": str(self.folder), "files": files, **fleet_json(self.result, self.study)}


def read_trips(path: Path, truck: str) -> tuple[FleetTrip, ...]:
    """Trips of a CSV file; a blank truck is the one given, a blank exhaust `muffled`.

    Raises
    ------
    BadDataError
        When a column is missing or a cell is not allowed, with its line.
    """
    table = read_table(path, required=COLUMNS[:4], known=COLUMNS)
    exhausts = table.choice("exhaust", ("", *EXHAUST_STATES), "")
    counts = table.number("count", minimum=0.001, maximum=1e5, default=1.0).tolist()
    columns = [table.text(name) for name in COLUMNS[:4]]
    trucks = table.text("truck", "")
    trips = []
    for line, name, start, target, depart, own, exhaust, count in zip(
        table.lines, *columns, trucks, exhausts, counts, strict=True
    ):
        match = _CLOCK.match(depart.strip())
        if match is None:
            raise BadDataError(
                f"{table.name}:{line}: depart: {depart!r} is not a time of day; write 22:30"
            )
        seconds = 3600.0 * int(match[1]) + 60.0 * int(match[2])
        trips.append(
            FleetTrip(name, start, target, seconds, own or truck, exhaust or "muffled", count)
        )
    return tuple(trips)


def fleet_trips_study(
    path: Path,
    trips_file: Path,
    zones: tuple[str, ...] | None,
    load: Load,
    output: Path | None,
    reporter: Reporter,
    *,
    allow_outside: bool = False,
) -> FleetTripsResult:
    """Burden of many trips, written into the study's output folder.

    Raises
    ------
    UsageError
        When a place, a truck or a zone is not in the study.
    BadDataError
        When the trips cannot be read.
    """
    prepared = prepare(path, allow_outside=allow_outside)
    heaviest = max(chosen_trucks(prepared.trucks, None), key=lambda one: one.mass)
    trips = read_trips(trips_file, heaviest.name)
    chosen_zones(prepared.zones, zones)
    folder = results_folder(prepared, output, allow_outside=allow_outside)
    with FolderLock(folder):
        place = listen(prepared, folder, reporter)
        reporter.stage("routes of the trips")
        homes = places_of_homes(place.scene)
        own = tuple(homes[index] for index in place.scene.receivers.home.tolist())
        weights = hour_weights(prepared.periods)
        answers = _Answers(place, zones, load)
        found = []
        for number, trip in enumerate(trips, start=1):
            found.append(
                trip_result(
                    trip,
                    lambda depart, trip=trip: answers.at(trip, depart),  # type: ignore[misc]
                    weights,
                    own,
                    place.people,
                )
            )
            reporter.advance(number, len(trips))
        result = FleetResult(tuple(found))
        reporter.stage("writing the fleet's tables")
        study = occasion(prepared)
        files = write_fleet(folder, result, study, place.scene.attribution)
    return FleetTripsResult(folder, tuple(files), result, study)


class _Answers:
    """Routes of trips, each found once."""

    def __init__(self, place: Place, zones: tuple[str, ...] | None, load: Load) -> None:
        self._place, self._zones = place, zones
        self._load = replace(load, most=MOST_ROUTES)
        self.find = cache(self._find)

    def at(self, trip: FleetTrip, depart_s: float) -> Answer:
        """Routes of a trip for a time of departure."""
        return self.find(trip.start, trip.target, trip.truck, trip.exhaust, depart_s)

    def _find(self, start: str, target: str, truck: str, exhaust: str, depart_s: float) -> Answer:
        state: ExhaustState = next(one for one in get_args(ExhaustState) if one == exhaust)
        setting, vehicle = request(
            self._place, Wish(truck, state, depart_s, self._zones), self._load
        )
        open_links = usable_links(self._place.scene, vehicle)[1]
        ends = (
            resolve(self._place.scene, open_links, "from", start),
            resolve(self._place.scene, open_links, "to", target),
        )
        if ends[0] == ends[1]:
            raise UsageError(f"trip from {start!r} to {target!r}: both are one point of the road")
        return find_routes(setting, vehicle, *ends, most=self._load.most)
