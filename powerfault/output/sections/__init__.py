"""The sections of the report, one module each, from what ``report_input`` gathers."""
