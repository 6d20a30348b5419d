"""Command `check`: a load plan in, verdict and report out."""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import asdict
from pathlib import Path

from eo_risk.commands.flags import Flags
from eo_risk.commands.printing import add_json_flag, emit, say

_BAR_AFTER_S = 2.0  # work that takes longer shows a bar
_BAR_WIDTH = 30


def register(subparsers) -> None:
    """Add the command to the parser."""
    parser = subparsers.add_parser(
        "check", help="check a load plan: verdict, reasons, hours, report",
        description="Exit code 0: Within. 1: any other verdict. 2: bad input.",
    )  # fmt: skip
    parser.add_argument("plan", nargs="?", help="plan file (JSON), or - for standard input")
    parser.add_argument("--site", help="site file (TOML); else the user's own")
    parser.add_argument("--items", help="list of items (CSV or XLSX) instead of a plan")
    parser.add_argument("--cycle", help="name of a cycle in the site file, with --items")
    parser.add_argument("--aeration", help="name of an aeration in the site file, with --items")
    parser.add_argument("--cycle-start", help="start of the cycle, with --items")
    parser.add_argument("--load-number", help="load number, with --items")
    parser.add_argument("--as-run", help="chart (CSV) or measured values (JSON) of the run")
    parser.add_argument("--save", help="write the resolved plan to this JSON file")
    parser.add_argument("--samples", help="number of samples (default 2048)")
    parser.add_argument("--seed", help="seed of the samples (default 1)")
    parser.add_argument("--report", help="write the report to this HTML file")
    parser.add_argument("--sheet", help="write the load sheet alone to this HTML file")
    parser.add_argument("--indices", choices=["sobol"], help="total Sobol indices beside ranks")
    parser.add_argument("--no-advice", action="store_true", help="skip the search for changes")
    add_json_flag(parser)
    parser.set_defaults(run=run)


class _Bar:
    """Progress on stderr, shown only once the work has taken a while."""

    def __init__(self, quiet: bool):
        self._start, self._quiet, self._shown = time.monotonic(), quiet, False

    def __call__(self, done: int, total: int) -> None:
        if self._quiet or time.monotonic() - self._start < _BAR_AFTER_S:
            return
        filled = _BAR_WIDTH * done // total
        bar = "#" * filled + "." * (_BAR_WIDTH - filled)
        print(f"\r[{bar}] {done}/{total} items", end="", file=sys.stderr, flush=True)
        self._shown = True

    def close(self) -> None:
        if self._shown:
            print(file=sys.stderr)


def _site(args: argparse.Namespace):
    """Return the site file named, else the user's own, else None."""
    from eo_risk.plan.site_file import default_site_path, read_site

    path = Path(args.site) if args.site else default_site_path()
    if not args.site and not path.is_file():
        return None
    site = read_site(path)
    for fault in site.broken_faults:
        say(f"site file, entry left out: {fault}")
    return site


def _from_items(args: argparse.Namespace, site):
    from eo_risk.errors import NOTHING, Fault, InputError
    from eo_risk.files import read_bytes
    from eo_risk.plan.site import named_plan, plan_of
    from eo_risk.plan.tables import table_from_bytes

    faults = [
        Fault(flag, NOTHING, "", "a name of the site file", "A list of items needs it.")
        for flag, value in (("--cycle", args.cycle), ("--aeration", args.aeration))
        if not value
    ]
    if site is None:
        faults.append(Fault("--site", NOTHING, "", "a site file", "A list of items needs it."))
    path = Path(args.items)
    table = table_from_bytes(read_bytes(path, "list of items"), path.name)
    say(f"items: {table.understood}")
    if site is None:
        raise InputError([*faults, *table.faults])  # no name can be looked up
    # What is not named is left empty, so that all else is checked.
    raw = named_plan(table.items, args.cycle or {}, args.aeration or [{}], site,
                     cycle_start=args.cycle_start, load_number=args.load_number)  # fmt: skip
    plan = None
    try:
        plan = plan_of(raw, site)
    except InputError as error:
        faults += error.faults
    faults = table.with_own(faults)
    if faults or plan is None:
        raise InputError(faults)
    return plan


def _plan(args: argparse.Namespace, site):
    from eo_risk.errors import NOTHING, Fault, InputError
    from eo_risk.files import read_text
    from eo_risk.plan.load_plan import json_of
    from eo_risk.plan.site import Site, plan_of

    if args.items:
        return _from_items(args, site)
    if not args.plan:
        raise InputError([Fault("PLAN", NOTHING, "", "a plan file, - or --items",
                                "Name the plan to check.")])  # fmt: skip
    text = sys.stdin.read() if args.plan == "-" else read_text(Path(args.plan), "load plan")
    raw = json_of(text)
    return plan_of(raw, Site() if site is None else site)


def _as_run(plan, path: Path):
    """Return the plan with what was measured, and how it differs, after saying so."""
    from eo_risk.files import read_bytes
    from eo_risk.output.wording import difference_text
    from eo_risk.plan.as_run import as_run, measured_from_bytes

    content = read_bytes(path, "chart or measured values")
    measured = measured_from_bytes(plan, content, path.name)
    if measured.note:
        say(measured.note)
    changed, differences = as_run(plan, measured)
    listed = [asdict(difference) for difference in differences]
    for difference in listed:
        say(f"as run, {difference_text(difference)}")
    return changed, listed


def _write_pages(args: argparse.Namespace, answer: dict, plan, shown) -> None:
    """Write the report and the load sheet where they are asked for."""
    if not (args.report or args.sheet):
        return
    from datetime import datetime

    from eo_risk.files import write_text
    from eo_risk.output.report import report_html, sheet_html

    created = datetime.now().astimezone()
    for what, path, write in (("report", args.report, report_html),
                              ("load sheet", args.sheet, sheet_html)):  # fmt: skip
        if path:
            write_text(Path(path), write(answer, plan, created, shown))
            say(f"{what} written to {path}")


def _list_flags(args: argparse.Namespace, flags: Flags) -> None:
    """Refuse what would be passed over: flags of a list beside a plan, or both at once."""
    if args.items and args.plan:
        flags.fault("--items", "", "a list or a plan", "Leave one of them out.")
    if not args.items:
        for flag in ("--cycle", "--aeration", "--cycle-start", "--load-number"):
            if getattr(args, flag.lstrip("-").replace("-", "_")):
                flags.fault(flag, "", "nothing beside a plan: it goes with --items",
                            "Change the plan, or leave it out.")  # fmt: skip


def run(args: argparse.Namespace) -> int:
    """Check a plan; returns 0 for Within and 1 for any other verdict."""
    flags = Flags(args)
    samples = flags.whole("--samples", 16, 1_000_000) or 2048
    seed = flags.whole("--seed", 0, 2**31)
    seed = 1 if seed is None else seed
    for flag in ("--report", "--sheet", "--save"):
        target = getattr(args, flag[2:])
        if target and not Path(target).resolve().parent.is_dir():
            flags.fault(flag, "", "a file in a folder that exists", "Check the folder.")
    _list_flags(args, flags)
    flags.done()
    from eo_risk.files import write_text

    site = _site(args)
    shown = None if site is None else site.units_shown
    plan = _plan(args, site)
    differences: list[dict] = []
    if args.as_run:
        plan, differences = _as_run(plan, Path(args.as_run))
    if args.save:
        from eo_risk.plan.load_plan import plan_json

        write_text(Path(args.save), plan_json(plan))
    from eo_risk.judgement.assess import check_plan
    from eo_risk.output.answer import check_answer
    from eo_risk.output.terminal import terminal_table

    if not args.no_advice:
        from eo_risk.judgement.advice import LARGEST_LOAD

        if len(plan.items) > LARGEST_LOAD:
            say(f"More than {LARGEST_LOAD} items: no changes are tried; check the items that are "
                "not Within as a plan of their own.")  # fmt: skip
    bar = _Bar(quiet=args.json or not sys.stderr.isatty())
    assessment = check_plan(
        plan, samples=samples, seed=seed, advise=not args.no_advice, progress=bar,
        indices=args.indices == "sobol", aerators=site.aerators if site else None,
    )  # fmt: skip
    bar.close()
    answer = check_answer(assessment) | {"differences": differences}
    _write_pages(args, answer, plan, shown)
    emit(args, answer, terminal_table(answer, plan, shown))
    return 0 if answer["verdict"] == "Within" else 1
