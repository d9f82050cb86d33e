"""The answer of each command as text and as JSON; one module a command."""
