"""Every error that asymscreen raises on purpose.

AsymscreenError                what was expected, what came, what to do: one sentence
├── UsageError                 wrong options or arguments               exit code 2
│   └── SettingsError          a settings or rule file that is not valid
├── ClipError                  a file that cannot be read as a clip     exit code 2
├── TracksError                a track file that cannot be read         exit code 2
├── DocumentError              a result document that is not valid      exit code 2
├── ModelError                 the landmark model is damaged or missing exit code 2
├── NothingToScreen            readable, but nothing to screen          exit code 3
│   └── DimlySeen              the landmarker sees nobody, or dimly     exit code 3
└── RecordError                the lifter's record                      exit code 2
"""

from __future__ import annotations


class AsymscreenError(Exception):
    """Base of every error of this package; `exit_code` is what the command line returns."""

    exit_code = 2


class UsageError(AsymscreenError):
    """Options or arguments that do not fit together."""


class SettingsError(UsageError):
    """A settings, rule or truth file that is not valid."""


class ClipError(AsymscreenError):
    """A file that cannot be read as a video clip."""


class TracksError(AsymscreenError):
    """A track file that cannot be read as landmark tracks."""


class DocumentError(AsymscreenError):
    """A result document that does not follow the contract."""


class ModelError(AsymscreenError):
    """The landmark model is damaged, missing or was changed."""


class NothingToScreen(AsymscreenError):  # noqa: N818 - it says what happened, not that a thing failed
    """The input is readable, but holds nothing to screen; `reasons` says why, one sentence each."""

    exit_code = 3

    def __init__(self, *reasons: str) -> None:
        super().__init__(" ".join(reasons))
        self.reasons = reasons


class DimlySeen(NothingToScreen):
    """Nobody is seen, or too dimly to follow; a closer look may still find the lifter."""


class RecordError(AsymscreenError):
    """The record of lifters, screens and blocks refused something."""
