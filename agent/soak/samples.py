"""What a soak is made of, by the name that its users know; the words themselves are those of `probes/samples.py`."""

from __future__ import annotations

from probes.samples import Counters, DriveHead, DriveSample, End, Event, Head, Sample, Soak, Track

__all__ = ["Counters", "DriveHead", "DriveSample", "End", "Event", "Head", "Sample", "Soak", "Track"]
