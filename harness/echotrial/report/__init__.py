"""What a trial found, made visible."""
