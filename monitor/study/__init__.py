"""Simulated nights whose truth is known, and what each way of telling people did for them: `secondbell study`."""
