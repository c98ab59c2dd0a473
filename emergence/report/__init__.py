"""Results in, tables, pictures and words out. The only plotting and the only writer of run folders."""
