"""The journal: notes that a guide writes by command, in one SQLite file of the season folder."""
