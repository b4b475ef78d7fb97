"""Sheets: reports to print or to open as a single page; from the store, without audio."""
