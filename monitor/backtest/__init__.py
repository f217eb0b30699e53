"""What other thresholds would have done with recorded messages: `compare` and `sweep`."""
