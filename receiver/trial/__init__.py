"""Trials: farend plays the other side, case by case, and says of each clause whether somebody else's equipment keeps it."""
