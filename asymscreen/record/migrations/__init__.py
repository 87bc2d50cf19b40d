"""The record's migrations. `HEAD` is the newest revision; a test holds it against the scripts."""

HEAD = "0003"
