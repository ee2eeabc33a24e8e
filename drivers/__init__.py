"""Talks to instruments: lines, SCPI text, command maps, roles. Decides nothing about a test."""
