"""The self-contained page: its data, style sheet, templates and scripts."""
