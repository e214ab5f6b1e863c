"""The lessons, one module each; :mod:`crashsense.lessons.register` says in which order."""
