"""Weights we trained, and the recipe that made them (models/training)."""
