"""`secondbell trail`: the record checked, proved, shown, and handed out."""
