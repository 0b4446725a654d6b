"""Racks of boards: the rack file and the scheduling of sessions."""
