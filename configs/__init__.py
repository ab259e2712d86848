"""Values of the settings, one file per choice a user really makes; types live in dataclasses."""
