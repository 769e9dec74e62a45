"""How one version of the tables becomes the next. A step once released is never changed: another follows it."""
