"""Commands of the coach's work: considerations, drills, visits, blocks, and what is due."""

from __future__ import annotations

from datetime import date
from typing import Any

import click
from pydantic import ValidationError

from asymscreen.errors import RecordError
from asymscreen.record import blocks, considerations
from asymscreen.record import visit as visits
from asymscreen.record.commands.examples import example
from asymscreen.record.commands.printing import Day, opened, shared, show, show_file
from asymscreen.record.shapes import BlockEntry, DrillDose, VisitEntry


@click.command(epilog=example("suggest"))
@click.argument("screen_id", metavar="ID")
@shared
def suggest(screen_id: str, home: str | None, as_json: bool) -> None:
    """What a coach might look at next after a screen. It suggests; it never diagnoses."""
    from asymscreen.record.lifters import show_lifter
    from asymscreen.record.screens import screen_entry, screen_for_report

    with opened(home) as store:
        card = show_lifter(store, screen_entry(store, screen_id).lifter)
        pain = [i.pain_side for i in card.intakes[-1:] if i.pain_now]
        sides = [*(i.side for i in card.injuries), *pain]
        found = considerations.consider(
            screen_for_report(store, screen_id), considerations.load_rules(store.home), sides
        )
    lines = []
    for one in found:
        lines += [f"{one.look} [{one.grounds}]"]
        lines += [f"  drill {d.id} ({d.side}): {d.name}, {d.dose}" for d in one.drills]
        lines += [f"  {text}" for text in one.cautions]
    show(
        found,
        as_json,
        lines or ["Nothing to suggest: the table of considerations has nothing for what this screen found."],
    )


@click.group()
def drill() -> None:
    """The drills and the table of considerations, which you may edit."""


@drill.command("list", epilog=example("drill list"))
@shared
def drill_list(home: str | None, as_json: bool) -> None:
    """List all drills, with dose and how they are done."""
    with opened(home) as store:
        table = considerations.load_rules(store.home)
    found = [considerations.advice(one, "both") for one in table.drills.values()]
    show(found, as_json, [f"{d.id}: {d.name}, {d.dose}. {d.how}" for d in found])


@drill.command("add", epilog=example("drill add"))
@click.argument("drill_id", metavar="ID")
@click.option("--name", required=True, help="What it is called.")
@click.option("--how", required=True, help="How it is done, in your words.")
@click.option("--dose", required=True, help="How much.")
@click.option("--sided", is_flag=True, help="It is done on one side.")
@click.option("--caution", "cautions", multiple=True, help="A caution; repeatable.")
@shared
def drill_add(
    drill_id: str, cautions: tuple[str, ...], home: str | None, as_json: bool, **words: Any
) -> None:
    """Add a drill of your own."""
    try:
        made = considerations.Drill(id=drill_id, cautions=list(cautions), **words)
    except ValidationError as error:
        faults = "; ".join(f"{'.'.join(map(str, e['loc']))}: {e['msg']}" for e in error.errors()[:8])
        raise RecordError(f"drill: expected words and an id like wall-slide, got faults: {faults}") from None
    with opened(home) as store:
        place = considerations.add_drill(store.home, made)
    show(considerations.advice(made, "both"), as_json, [f"Added {drill_id} to {place}"])


@drill.command("edit", epilog=example("drill edit"))
@shared
def drill_edit(home: str | None, as_json: bool) -> None:
    """Put an editable copy of the table of considerations into the home folder."""
    with opened(home) as store:
        place = considerations.copy_rules(store.home)
    show_file(place, as_json)


@click.group()
def visit() -> None:
    """A screening visit, step by step."""


@visit.command("start", epilog=example("visit start"))
@click.argument("code")
@click.option("--one-rep-max", "one_rep_max_kg", type=float, metavar="KG", help="By default from the intake.")
@click.option("--reps", type=int, default=3, show_default=True, help="Reps of a working set, 2 or 3.")
@click.option("--tell", is_flag=True, help="Do not hold the findings back until the re-test.")
@shared
def visit_start(
    code: str, one_rep_max_kg: float | None, reps: int, tell: bool, home: str | None, as_json: bool
) -> None:
    """Start a visit."""
    with opened(home) as store:
        found = visits.start_visit(store, code, one_rep_max_kg=one_rep_max_kg, reps=reps, hold_back=not tell)
    show(found, as_json, _visit(found))


@visit.command("step", epilog=example("visit step"))
@click.argument("number", type=int)
@click.argument("step", type=click.Choice(visits.STEPS))
@click.option("--screen", metavar="ID", help="The set's screen (working-set, re-test).")
@click.option("--words", help="What was seen or felt.")
@click.option("--pain", type=int, metavar="N", help="Pain, 0 to 10 (felt-before, felt-after).")
@click.option("--red-flag", "red_flags", multiple=True, help="A red flag that the lifter named; repeatable.")
@click.option("--drill", help="Which drill was done.")
@click.option("--side", type=click.Choice(("left", "right", "both")), help="Side of the drill.")
@click.option("--dose", help="How much of it.")
@click.option("--by", default="coach", help="Who leads the visit.")
@shared
def visit_step(
    number: int, step: str, screen: str | None, by: str, home: str | None, as_json: bool, **given: Any
) -> None:
    """Do the next step of a visit."""
    answers = {name: value for name, value in given.items() if value not in (None, ())}
    if "red_flags" in answers:
        answers["red_flags"] = list(answers["red_flags"])
    with opened(home) as store:
        found = visits.do_step(store, number, step, screen=screen, answers=answers, by=by)
    show(found, as_json, _visit(found))


@visit.command("show", epilog=example("visit show"))
@click.argument("number", type=int)
@shared
def visit_show(number: int, home: str | None, as_json: bool) -> None:
    """Show a visit and what comes next."""
    with opened(home) as store:
        found = visits.show_visit(store, number)
    show(found, as_json, _visit(found))


@visit.command("list", epilog=example("visit list"))
@click.argument("code")
@shared
def visit_list(code: str, home: str | None, as_json: bool) -> None:
    """List a lifter's visits."""
    with opened(home) as store:
        found = visits.list_visits(store, code)
    show(found, as_json, [line for one in found for line in _visit(one)] or [f"No visit of {code} yet."])


@visit.command("stop", epilog=example("visit stop"))
@click.argument("number", type=int)
@click.option("--why", required=True, help="Why it ends early.")
@shared
def visit_stop(number: int, why: str, home: str | None, as_json: bool) -> None:
    """End a visit early."""
    with opened(home) as store:
        found = visits.stop_visit(store, number, why)
    show(found, as_json, _visit(found))


@click.group()
def block() -> None:
    """Corrective blocks: what is done, on which side, how much, and when."""


@block.command("add", epilog=example("block add"))
@click.argument("code")
@click.option(
    "--drill",
    "drills",
    multiple=True,
    required=True,
    metavar="NAME:SIDE[:DOSE]",
    help="A drill with its side (left, right, both, none); repeatable.",
)
@click.option("--start", "starts_on", type=Day(), help="First day; today by default.")
@click.option("--end", "ends_on", type=Day(), required=True, help="Last day.")
@click.option("--days", default=",".join(blocks.WEEKDAYS), help="Weekdays, for example mon,wed,fri.")
@click.option("--rescreen", "rescreen_on", type=Day(), help="Planned re-screen; the last day by default.")
@click.option("--notes", default="", help="Anything else.")
@shared
def block_add(
    code: str, drills: tuple[str, ...], starts_on: date | None, ends_on: date, days: str,
    rescreen_on: date | None, notes: str, home: str | None, as_json: bool,
) -> None:  # fmt: skip
    """Add a corrective block."""
    with opened(home) as store:
        found = blocks.add_block(
            store, code, [_dose(text) for text in drills], starts_on=starts_on or date.today(),
            ends_on=ends_on, weekdays=days.split(","), rescreen_on=rescreen_on, notes=notes,
        )  # fmt: skip
    show(found, as_json, _block(found))


@block.command("list", epilog=example("block list"))
@click.argument("code")
@shared
def block_list(code: str, home: str | None, as_json: bool) -> None:
    """List a lifter's blocks with what was done."""
    with opened(home) as store:
        found = blocks.list_blocks(store, code)
    show(found, as_json, [line for one in found for line in _block(one)] or [f"No block of {code} yet."])


@block.command("log", epilog=example("block log"))
@click.argument("number", type=int)
@click.option("--on", type=Day(), help="The day; today by default.")
@click.option("--missed", is_flag=True, help="The work was not done.")
@click.option("--notes", default="", help="Anything else.")
@shared
def block_log(
    number: int, on: date | None, missed: bool, notes: str, home: str | None, as_json: bool
) -> None:
    """Note that a day's work was done."""
    with opened(home) as store:
        found = blocks.log_day(store, number, on or date.today(), done=not missed, notes=notes)
    show(found, as_json, _block(found))


@block.command("end", epilog=example("block end"))
@click.argument("number", type=int)
@click.option("--on", type=Day(), help="The new last day; today by default.")
@shared
def block_end(number: int, on: date | None, home: str | None, as_json: bool) -> None:
    """End a block on another day; the re-screen moves with it."""
    with opened(home) as store:
        found = blocks.end_block(store, number, on or date.today())
    show(found, as_json, _block(found))


@click.command(epilog=example("due"))
@shared
def due(home: str | None, as_json: bool) -> None:
    """List the re-screens that are due."""
    with opened(home) as store:
        found = blocks.due_rescreens(store)
    lines = [f"{d.lifter}: re-screen of block {d.block} planned for {d.rescreen_on}, {d.late_days} days late"
             for d in found]  # fmt: skip
    show(found, as_json, lines or ["No re-screen is due."])


def _dose(text: str) -> DrillDose:
    name, _, rest = text.partition(":")
    side, _, dose = rest.partition(":")
    return DrillDose(drill=name.strip(), side=side.strip(), dose=dose.strip())


def _block(entry: BlockEntry) -> list[str]:
    drills = "; ".join(f"{d.drill} ({d.side}) {d.dose}".rstrip() for d in entry.drills)
    return [
        f"Block {entry.id} of {entry.lifter}, {entry.starts_on} to {entry.ends_on} "
        f"({', '.join(entry.weekdays)}): {drills}",
        f"  {entry.done} of {entry.planned} days done; re-screen on {entry.rescreen_on}.",
    ]


def _visit(entry: VisitEntry) -> list[str]:
    done = ", ".join(step.step for step in entry.steps) or "nothing yet"
    lines = [f"Visit {entry.id} of {entry.lifter}; done: {done}."]
    if entry.stopped_why:
        lines.append(f"  {entry.stopped_why}")
    return [*lines, f"  Next, {entry.next_step}: {entry.next_words}" if entry.next_step else "  Ended."]
