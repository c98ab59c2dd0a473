"""Surface temperature and ice of lakes."""
