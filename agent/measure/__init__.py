"""Measuring what drives deliver, by reading only: what is asked for, the run, what it says beside the prediction."""
