"""What people and CI read, made from stored outcomes only."""
