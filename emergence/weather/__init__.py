"""Weather: station records without gaps, past years as traces, air temperature at lake height."""
