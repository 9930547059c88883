"""Data only: the demonstration configuration, tolerance profiles and simulated scenarios."""
