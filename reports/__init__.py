"""So what: from a run's readings to characteristics with uncertainty, decisions, figures and files."""
