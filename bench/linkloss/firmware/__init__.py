"""Plain python-can scripts as nodes: unmodified, blocking where they like, on virtual time."""
