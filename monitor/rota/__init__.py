"""The rota around the core: calendars read and judged, their holes, and `secondbell rota`."""
