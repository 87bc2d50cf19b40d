"""The capture sheet of a kept screen, so that it can be solved again as it was screened."""

from __future__ import annotations

import math
from typing import get_args

from asymscreen.capture.sheet import Capture, View
from asymscreen.document import ScreenDocument


def sheet_of_document(document: ScreenDocument) -> Capture:
    """The capture sheet as far as a document tells it.

    A document that names the source of its roll only, as older ones do, gets marks or a roll of that size.
    """
    capture, sheet = document.capture, document.sheet
    view: View | None = None
    if capture.view_source == "stated" and capture.view in get_args(View):
        view = capture.view  # type: ignore[assignment]
    marks, roll = sheet.level_marks, sheet.roll_deg
    if marks is None and roll is None and capture.roll_deg is not None:
        if capture.roll_source == "marked":
            width, drop = document.clip.width, math.tan(math.radians(capture.roll_deg))
            marks = ((0.0, 0.0), (float(width), width * drop))
        elif capture.roll_source == "stated":
            roll = capture.roll_deg
    return Capture(
        view=view,
        camera_height_m=sheet.camera_height_m,
        camera_distance_m=sheet.camera_distance_m,
        mirrored=document.clip.mirrored,
        load_kg=sheet.load_kg,
        one_rep_max_kg=sheet.one_rep_max_kg,
        lifter=sheet.lifter,
        grip=sheet.grip,
        level_marks=marks,
        roll_deg=roll,
    )
