"""A three-dimensional knee fitted to the landmarks of one film."""
