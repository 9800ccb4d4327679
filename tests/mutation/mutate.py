"""Change one operator or number at a time in the physics and see whether a test notices.

Run from the project's root, with the extra ``mutation`` installed::

    python tests/mutation/mutate.py --per-package 300 --processes 4 --output mutants.jsonl

The mutants are a random sample, the same for the same seed, drawn evenly from the packages. A
mutant is *killed* when a test fails or hangs; each survivor is printed with its change. Only
test files that pass on the unchanged tree take part.
"""

import argparse
import ast
import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass
from difflib import unified_diff
from pathlib import Path
from queue import Queue

from cosmic_ray.ast import ast_nodes, get_ast
from cosmic_ray.mutating import mutate_code
from cosmic_ray.plugins import get_operator, operator_names

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = ("source", "propagation", "descent", "community")

# Kinds of change that leave a program of numbers valid, so that a test has to notice a value.
ARITHMETIC = {"Add_Sub", "Sub_Add", "Mul_Div", "Div_Mul", "Pow_Mul", "FloorDiv_Mul", "Mod_Mul"}
COMPARISON = {
    "Lt_LtE", "LtE_Lt", "Gt_GtE", "GtE_Gt", "Lt_Gt", "Gt_Lt", "LtE_GtE", "GtE_LtE",
    "Eq_NotEq", "NotEq_Eq",
}  # fmt: skip
OTHER = {
    "core/NumberReplacer", "core/ReplaceTrueWithFalse", "core/ReplaceFalseWithTrue",
    "core/ReplaceAndWithOr", "core/ReplaceOrWithAnd", "core/AddNot",
    "core/ReplaceUnaryOperator_USub_UAdd", "core/ReplaceUnaryOperator_Delete_Not",
    "core/ReplaceBreakWithContinue", "core/ReplaceContinueWithBreak", "core/ZeroIterationForLoop",
}  # fmt: skip


@dataclass(frozen=True)
class Mutant:
    """One change: the file, the kind of change, its place, and which of its places it is."""

    path: str
    operator: str
    occurrence: int
    line: int


@dataclass(frozen=True)
class Outcome:
    """What the tests said of a mutant, and the change itself."""

    path: str
    operator: str
    line: int
    killed: bool
    by: str
    seconds: float
    change: str


def chosen_operators() -> list[str]:
    """Names of the kinds of change used."""
    names = []
    for name in operator_names():
        kind = name.rsplit("_", 2)
        pair = "_".join(kind[-2:])
        binary = name.startswith("core/ReplaceBinaryOperator") and pair in ARITHMETIC
        compare = name.startswith("core/ReplaceComparisonOperator") and pair in COMPARISON
        if binary or compare or name in OTHER:
            names.append(name)
    return names


def silent_lines(source: str) -> set[int]:
    """Lines whose change says nothing of a value: annotations, decorators, messages of errors."""
    lines: set[int] = set()
    for node in ast.walk(ast.parse(source)):
        parts: list[ast.AST | None] = []
        if isinstance(node, ast.FunctionDef):
            parts = [*node.decorator_list, node.returns]
            every = [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]
            parts += [argument.annotation for argument in every]
        elif isinstance(node, ast.ClassDef):
            parts = [*node.decorator_list]
        elif (isinstance(node, ast.AnnAssign) and node.value is None) or isinstance(
            node, ast.Raise
        ):
            parts = [node]
        for part in parts:
            if part is not None:
                lines.update(range(part.lineno, (part.end_lineno or part.lineno) + 1))
    return lines


def mutants_of(path: Path) -> Iterator[Mutant]:
    """Give every mutant of a file."""
    source = path.read_text(encoding="utf-8")
    tree, silent = get_ast(source), silent_lines(source)
    for name in chosen_operators():
        operator = get_operator(name)()
        places = (
            start for node in ast_nodes(tree) for start, _ in operator.mutation_positions(node)
        )
        for occurrence, start in enumerate(places):
            if start[0] not in silent:
                yield Mutant(str(path.relative_to(ROOT)), name, occurrence, start[0])


def sample(per_package: int, seed: int) -> list[Mutant]:
    """Draw mutants evenly over the packages, mixed so that a run cut short is still a sample."""
    print(f"seed {seed}")
    draw = random.Random(seed)
    chosen: list[Mutant] = []
    for package in PACKAGES:
        every = [
            m
            for path in sorted((ROOT / "noisemap" / package).rglob("*.py"))
            for m in mutants_of(path)
        ]
        print(f"{package}: {len(every)} mutants, {min(per_package, len(every))} drawn")
        chosen += draw.sample(every, min(per_package, len(every)))
    draw.shuffle(chosen)
    return chosen


def tests_of(name: str) -> list[str]:
    """Test files that name a module or package, directly."""
    found = []
    for path in sorted((ROOT / "tests").rglob("test_*.py")):
        text = path.read_text(encoding="utf-8")
        parent, _, leaf = name.rpartition(".")
        if name in text or f"from {parent} import {leaf}" in text:
            found.append(str(path.relative_to(ROOT)))
    return found


def is_compiled(path: str) -> bool:
    """Whether a file holds compiled functions, whose callers' cache would hide a change."""
    return "numba" in (ROOT / path).read_text(encoding="utf-8") or "/machine/" in path


def run_tests(tree: Path, tests: list[str], timeout_s: float, cache: Path) -> tuple[bool, str]:
    """Run test files in a copy of the tree; give whether they passed, and the last line."""
    command = [
        sys.executable,
        "-m",
        "pytest",
        "-x",
        "-q",
        "-o",
        "addopts=--doctest-modules",
        "-p",
        "no:cacheprovider",
        "-p",
        "no:xdist",
        "-p",
        "no:benchmark",
        "--no-header",
        *tests,
    ]
    places = os.pathsep.join([str(tree), *filter(None, [os.environ.get("PYTHONPATH")])])
    environment = os.environ | {"NUMBA_CACHE_DIR": str(cache), "PYTHONPATH": places}
    environment |= {"NUMBA_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    try:
        done = subprocess.run(
            command,
            cwd=tree,
            env=environment,
            timeout=timeout_s,
            capture_output=True,
            text=True,
            check=False,
        )
    except subprocess.TimeoutExpired:
        return False, "hangs"
    lines = [line for line in done.stdout.splitlines() if line.startswith(("FAILED", "ERROR"))]
    return done.returncode == 0, lines[0][:160] if lines else done.stdout[-160:]


def judge(mutant: Mutant, tree: Path, sound: dict[str, float]) -> Outcome:
    """Try one mutant in a copy of the tree: its module's tests first, then its package's."""
    path = tree / mutant.path
    source = path.read_text(encoding="utf-8")
    changed = mutate_code(source, get_operator(mutant.operator)(), mutant.occurrence)
    module = mutant.path.removesuffix(".py").replace("/", ".")
    package = ".".join(module.split(".")[:2])
    first = [test for test in tests_of(module) if test in sound]
    rest = [test for test in tests_of(package) if test in sound and test not in first]
    cache = tree / ".numba"
    started = time.monotonic()
    if is_compiled(mutant.path):
        shutil.rmtree(cache, ignore_errors=True)
    passed, by = True, ""
    try:
        path.write_text(changed, encoding="utf-8")
        for tests in ([mutant.path, *first], rest):
            if tests and passed:
                limit = 120.0 + 5.0 * sum(sound.get(test, 0.0) for test in tests)
                passed, by = run_tests(tree, tests, limit, cache)
    finally:
        path.write_text(source, encoding="utf-8")
    if is_compiled(mutant.path):
        shutil.rmtree(cache, ignore_errors=True)
    change = "\n".join(
        line for line in unified_diff(source.splitlines(), changed.splitlines(), n=0, lineterm="")
        if line[:1] in "+-" and line[:3] not in ("+++", "---")
    )  # fmt: skip
    seconds = round(time.monotonic() - started, 1)
    return Outcome(mutant.path, mutant.operator, mutant.line, not passed, by, seconds, change)


def copy_of_tree(folder: Path) -> Path:
    """Copy the tracked files into a folder."""
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    names = [name for name in listed.stdout.split("\0") if name and (ROOT / name).is_file()]
    if not names:
        names = [str(path.relative_to(ROOT)) for path in ROOT.rglob("*") if path.is_file()]
    for name in names:
        target = folder / name
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(ROOT / name, target)
    return folder


def sound_tests(tree: Path, pool: ThreadPoolExecutor) -> dict[str, float]:
    """Test files of the packages that pass on the unchanged tree, with their seconds."""
    names = sorted({test for package in PACKAGES for test in tests_of(f"noisemap.{package}")})

    def timed(name: str) -> tuple[str, float, bool, str]:
        started = time.monotonic()
        passed, by = run_tests(tree, [name], 600.0, tree / ".numba")
        return name, time.monotonic() - started, passed, by

    sound = {}
    for name, seconds, passed, by in pool.map(timed, names):
        if passed:
            sound[name] = seconds
        else:
            print(f"left out: {name}: {by}")
    return sound


def main() -> None:
    """Draw, try and count mutants."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--per-package", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    parser.add_argument(
        "--minutes", type=float, default=60.0, help="start no mutant after this time"
    )
    parser.add_argument("--output", type=Path, default=Path("mutants.jsonl"))
    chosen = parser.parse_args()
    deadline = time.monotonic() + 60.0 * chosen.minutes
    mutants = sample(chosen.per_package, chosen.seed)
    with tempfile.TemporaryDirectory() as folder, ThreadPoolExecutor(chosen.processes) as pool:
        trees: Queue[Path] = Queue()
        first = copy_of_tree(Path(folder) / "0")
        sound = sound_tests(first, pool)
        print(f"{len(sound)} test files, {sum(sound.values()):.0f} s of one core", flush=True)
        if not sound:
            sys.exit("no test file passes on the unchanged tree: nothing could be learnt")
        trees.put(first)
        for number in range(1, chosen.processes):
            trees.put(Path(shutil.copytree(first, Path(folder) / str(number))))

        def attempt(mutant: Mutant) -> Outcome | None:
            if time.monotonic() > deadline:
                return None
            tree = trees.get()
            try:
                return judge(mutant, tree, sound)
            finally:
                trees.put(tree)

        outcomes = []
        with chosen.output.open("w", encoding="utf-8") as out:
            for outcome in pool.map(attempt, mutants):
                if outcome is not None:
                    outcomes.append(outcome)
                    out.write(json.dumps(asdict(outcome)) + "\n")
                    out.flush()
    for package in PACKAGES:
        mine = [o for o in outcomes if o.path.startswith(f"noisemap/{package}/")]
        killed = sum(o.killed for o in mine)
        print(f"{package}: {killed} of {len(mine)} killed")
    for outcome in outcomes:
        if not outcome.killed:
            print(f"\nsurvived: {outcome.path}:{outcome.line} {outcome.operator}\n{outcome.change}")


if __name__ == "__main__":
    main()
