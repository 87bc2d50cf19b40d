"""The instrument's error on screens whose truth is known: truth files, figures, pictures' bins, re-tests."""
