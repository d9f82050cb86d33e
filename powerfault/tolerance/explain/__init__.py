"""Why is a load lost in a case? ``reasons`` grows the ``reason_tree`` from the load to the events."""
