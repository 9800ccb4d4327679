"""What every page must say beside its figures, in one place and one wording."""

from __future__ import annotations

from noisemap.exposure.results import Findings

QUESTION = (
    "Where would a restriction on engine braking help, whom, by how much, "
    "and do the brakes on the grade stay within their limits?"
)

NO_BAN_ON_CONTROL = (
    "No restriction shown here forbids a driver to use any brake that is needed to keep the "
    "vehicle under control. A text on a sign or in an ordinance must say so too."
)
SCREENING_BRAKES = (
    "Brake temperatures are a screening estimate of the drums as a whole. They are no design, "
    "and no speed on these pages tells anyone how fast to descend."
)
GOOD_BRAKES = (
    "The estimate assumes adjusted brakes and a trained driver. Brakes that are hot at the top, "
    "out of adjustment or missing lie outside it, except where a row says so."
)
RECALLED_CONSTANTS = (
    "The thermal constants go back to federal work of the 1980s and are recalled; the printed "
    "reports could not be read. Replace them in the study where better ones are at hand."
)
GOVERNING_RULES = (
    "Local code, the sign standard of the road authority and the judgement of a licensed "
    "engineer decide. This screening only prepares their work."
)
NO_FEDERAL_NOISE_STUDY = (
    "This is not a noise analysis under 23 CFR 772 and replaces none that the law asks for."
)
MODELLED_LEVELS = (
    "All levels are calculated, outdoors, for weather that carries sound to the homes. "
    "They are not measurements, and a single home can differ from its figure."
)
INVENTED = (
    "The place, its roads, homes and traffic are invented. Nothing here describes a real town."
)

CAUTIONS: tuple[str, ...] = (
    NO_BAN_ON_CONTROL,
    SCREENING_BRAKES,
    GOOD_BRAKES,
    RECALLED_CONSTANTS,
    GOVERNING_RULES,
    NO_FEDERAL_NOISE_STUDY,
    MODELLED_LEVELS,
)

LAW_TO_CHECK: tuple[str, ...] = (
    "Who may restrict engine braking on this road: the municipality, the county or the state, "
    "and whether the road authority must approve it in writing first.",
    "Whether the state sets conditions for an approval: the steepness and length of the grade, "
    "the posted speed limit, a reduced truck limit or a low-gear zone, runaway-truck history.",
    "Whether the local noise ordinance or the rules for mufflers in use already forbid "
    "what the zone would forbid.",
    "The wording of the exception for emergencies and for keeping control, and who must prove it.",
    "The sign that the road authority's standard allows, where it must stand, and who pays for it.",
    "Whether hill signs with a grade plaque are due on this descent.",
)


def all_cautions(findings: Findings) -> tuple[str, ...]:
    """Cautions in force: the general ones, the study's own, and the invention, each once."""
    start = (INVENTED,) if findings.invented else ()
    return tuple(dict.fromkeys(start + CAUTIONS + findings.cautions))
