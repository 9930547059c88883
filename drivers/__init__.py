"""Inputs: the contract, the registry, and one file per kind of input."""
