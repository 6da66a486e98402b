"""Rooms that answer: scenes, echoes, runs made of them."""
