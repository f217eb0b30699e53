"""Drills around the core: by calendar, by `secondbell drill`, and the desk that takes them in."""
