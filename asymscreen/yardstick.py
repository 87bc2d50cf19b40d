"""The yardstick of `asymscreen bench`: decode every frame, run the heavy landmarker on each, nothing else.

A plain loop as anybody would write it first, with OpenCV as the reader and the landmarker in its video mode
on the clip's own times. It shares no code with the screen but the model file, so that no speed-up of ours
hides in it. `python -m asymscreen.yardstick CLIP` prints the frames that it went through and those with a
person.
"""

from __future__ import annotations

import json
import sys


def plain_loop(clip: str, model: str) -> dict[str, int]:
    """Frames decoded, and frames in which a person was found."""
    import cv2
    import mediapipe as mp
    from mediapipe.tasks.python import BaseOptions, vision

    options = vision.PoseLandmarkerOptions(
        base_options=BaseOptions(model_asset_path=model), running_mode=vision.RunningMode.VIDEO
    )
    frames = people = 0
    video = cv2.VideoCapture(clip)
    with vision.PoseLandmarker.create_from_options(options) as landmarker:
        while True:
            stamp_ms = int(video.get(cv2.CAP_PROP_POS_MSEC))
            there, bgr = video.read()
            if not there:
                break
            rgb = cv2.cvtColor(bgr, cv2.COLOR_BGR2RGB)
            picture = mp.Image(image_format=mp.ImageFormat.SRGB, data=rgb)
            stamp_ms = max(stamp_ms, frames)  # some containers give no times; they must rise
            people += bool(landmarker.detect_for_video(picture, stamp_ms).pose_landmarks)
            frames += 1
    video.release()
    return {"frames": frames, "with_a_person": people}


def main() -> None:
    """Run the loop on the clip that the command line names."""
    from asymscreen.landmarks.model import verified_bundle

    sys.stdout.write(json.dumps(plain_loop(sys.argv[1], str(verified_bundle()[0]))) + "\n")


if __name__ == "__main__":
    main()
