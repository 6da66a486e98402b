"""The files that a command leaves: folders, tables, the report page."""
