"""Corpora: A-scans with their truth on disk, built, imported, fetched, checked and shown."""
