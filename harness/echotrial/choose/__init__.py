"""From a set-up to the approach that holds there: feasible, tuned, proven, calibrated, budgeted."""
