"""The report: one self-contained HTML file, and the short summary for the terminal."""

from asymscreen.report.brief import text_summary
from asymscreen.report.page import render_report, write_report

__all__ = ["render_report", "text_summary", "write_report"]
