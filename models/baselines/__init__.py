"""What our own detector is measured against: methods that a newcomer would try first."""
