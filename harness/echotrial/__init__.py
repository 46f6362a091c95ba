"""Puts echo-detection algorithms on trial for ultrasonic thickness measurement of thin walls."""

__version__ = "0.1.0"
