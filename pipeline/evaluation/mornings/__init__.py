"""Simulated mornings: sources that deliver in their own way, failures among them, and what each night says of it.

`sources` says when which rows of a day arrive, `study` lets the mornings go by.
"""
