"""Adds screens to a record until killed: `python record_writer.py HOME [URL]`, one line for each."""

import sys

import record_makers as makers
import report_samples as samples

from asymscreen.record.screens import add_screen
from asymscreen.record.store import open_store

document = samples.crossed()
images = {"bottom-1.jpg": b"\xff\xd8\xff" + bytes(200_000)}
tracks = makers.tracks(frames=300)
with open_store(sys.argv[1], sys.argv[2] if len(sys.argv) > 2 else None) as store:
    sys.stdout.write("ready\n")
    sys.stdout.flush()
    while True:
        entry = add_screen(store, "L-014", document, tracks=tracks, images=images)
        sys.stdout.write(entry.id + "\n")
        sys.stdout.flush()
