"""From a body's own clock to the log's: offset and drift, and how sure they are."""
