"""What the store is told: events stored with their cause, delivered signed, until received."""
