"""A client's clip on its way in: counted, received, looked over in the sandbox, and put into the queue."""

from __future__ import annotations

from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from datetime import timedelta

from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request

from asymscreen.capture.advice import advise_again
from asymscreen.capture.sheet import Capture
from asymscreen.desk.accounts import Throttle
from asymscreen.desk.jobs import Jobs
from asymscreen.desk.sandbox import look_at
from asymscreen.desk.uploads import Limits, Received, Slots, UploadError, receive
from asymscreen.errors import AsymscreenError, ClipError, RecordError
from asymscreen.record import hand_ins as rows
from asymscreen.record.hand_ins import HandInEntry, LinkEntry
from asymscreen.record.lifters import now, show_lifter
from asymscreen.record.screens import read_screen
from asymscreen.record.store import Store

CLIPS_A_DAY = 8
"""Clips that may come through one link within 24 hours; ours, no source."""
TRIES_AN_HOUR = 20
"""Uploads that may be begun through one link within an hour, taken or not; ours, no source."""
ALL_USED = "All clips that this link was made for have come in. Ask your coach for a new link."
ENOUGH_TODAY = "That is enough for today. Your coach will look at what you sent; come back tomorrow."
TOO_OFTEN = "Too many tries within the hour. Wait a while, then send the clip again."
AGAIN_SAME = "This very clip was handed in before. Choose the clip of your new set."
NO_SHEET = "Fill in the page about your set first."


@dataclass
class Desk:
    """What the hand-in pages share: record, queue, key of links, and the bounds on what comes in."""

    store: Store
    jobs: Jobs
    key: bytes
    limits: Limits = field(default_factory=Limits)
    slots: Slots = field(default_factory=Slots)
    tries: Throttle = field(default_factory=lambda: Throttle(TRIES_AN_HOUR, 3600.0))


async def take_clip(desk: Desk, request: Request, link: LinkEntry, entry: HandInEntry) -> None:
    """Take the clip in a request's body in. UploadError where it is not taken.

    A file that is a video but no usable clip counts as handed in: the hand-in says why to film again.
    """
    _check_number(desk, link, entry)
    declared = request.headers.get("content-length", "")
    with desk.slots.hold(link.id):
        received = await receive(
            _chunks(request), int(declared) if declared.isdigit() else None, desk.store, desk.limits
        )
        try:
            await run_in_threadpool(_look_and_queue, desk, entry, received)
        finally:
            received.path.unlink(missing_ok=True)


def _check_number(desk: Desk, link: LinkEntry, entry: HandInEntry) -> None:
    if entry.state not in (rows.DESCRIBED, rows.AGAIN):
        raise UploadError(NO_SHEET, 409)
    if desk.tries.wait_s(link.id):
        raise UploadError(TOO_OFTEN, 429)
    desk.tries.count(link.id)
    if rows.clips_through(desk.store, link.id) >= link.most_clips:
        raise UploadError(ALL_USED, 403)
    if rows.clips_through(desk.store, link.id, since=now() - timedelta(days=1)) >= CLIPS_A_DAY:
        raise UploadError(ENOUGH_TODAY, 429)


async def _chunks(request: Request) -> AsyncIterator[bytes]:
    """The body in pieces. UploadError where the sender went away."""
    try:
        async for chunk in request.stream():
            yield chunk
    except ClientDisconnect:
        raise UploadError("The clip did not arrive whole. Send it again.", 400) from None


def _look_and_queue(desk: Desk, entry: HandInEntry, received: Received) -> None:
    if rows.seen_before(desk.store, entry.lifter, received.sha256):
        raise UploadError(AGAIN_SAME, 409)
    try:
        look_at(received.path)
    except ClipError as error:
        said = str(error).rstrip(".")
        rows.change_hand_in(
            desk.store, entry.name, state=rows.AGAIN, sent_at=now(), sha256=received.sha256,
            reasons=[said[:1].upper() + said[1:] + "."], advice=advise_again([said]),
        )  # fmt: skip
        return
    try:
        told = show_lifter(desk.store, entry.lifter).intakes
        best = told[-1].one_rep_max_kg if told else None
        sheet = Capture(lifter=entry.lifter, one_rep_max_kg=best, **entry.sheet)
        name = f"handed-in-{now():%Y-%m-%d}{received.path.suffix}"
        job = desk.jobs.submit(received.path, entry.lifter, sheet, clip_name=name, origin="hand-in")
    except AsymscreenError:
        raise UploadError("The desk cannot take the clip at the moment. Tell your coach.", 409) from None
    rows.change_hand_in(
        desk.store, entry.name, state=rows.CHECKING, sent_at=now(), sha256=received.sha256, job=job,
        reasons=[], advice=[],
    )  # fmt: skip


def settle(store: Store, jobs: Jobs, entry: HandInEntry) -> HandInEntry:
    """Bring a hand-in up to date with its job: taken with its advice, or again with reasons and advice.

    A job that broke or was stopped leaves it as it is: the coach may let it run again.
    """
    if entry.state != rows.CHECKING:
        return entry
    try:
        job = jobs.status(entry.job)
    except RecordError:
        return entry
    if job.state == "done" and job.screen_id:
        advice = read_screen(store, job.screen_id).capture.advice
        return rows.change_hand_in(
            store, entry.name, state=rows.TAKEN, screen_id=job.screen_id, advice=list(advice)
        )
    if job.state == "unusable":
        return rows.change_hand_in(
            store, entry.name, state=rows.AGAIN, reasons=[job.message], advice=advise_again([job.message]),
            screen_id=job.screen_id,
        )  # fmt: skip
    return entry
