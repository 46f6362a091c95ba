"""What commands print with ``--json``: a model for each, whose form has a name and a version.

A form keeps its version while keys are only added; a key that goes, or means something else, makes
the next. ``echotrial schema NAME`` prints the JSON Schema of a form.
"""
