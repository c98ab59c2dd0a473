"""Parties, guides and lakes to a booked season: worth of stays over joint members, rules, the program that chooses."""
