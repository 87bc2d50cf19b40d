"""The demo clip: an invented lifter, rendered. Its scenario is in `sheet.json` and in fixtures/README.md."""
