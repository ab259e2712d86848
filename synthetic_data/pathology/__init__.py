"""Disease: findings that change a knee's own bones or grow new ones."""
