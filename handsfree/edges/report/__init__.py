"""The summary of a session, as text for people and as JSON for programs."""
