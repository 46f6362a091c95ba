"""Specs and expected echoes around a set-up that an operator has."""
