"""Sound in air, poses and headings, log-odds."""
