"""What `setup` and `choose` print and write: tables, drawings of A-scans, the method sheet."""
