"""The words of reports in more than one language (GNU gettext, formats by babel)."""

from pipeline.language.speech import Speech, mark, mark_within, speech

__all__ = ["Speech", "mark", "mark_within", "speech"]
