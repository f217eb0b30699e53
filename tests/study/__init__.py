"""The study of simulated nights."""
