"""Damage: pictures that were broken before they were coded."""
