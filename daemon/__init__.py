"""The monitor: acquisition, measuring, detecting, judging, storing and the status page."""

__version__ = "0.1.0"
