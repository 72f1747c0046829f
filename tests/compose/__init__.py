"""Tests of sonify.compose."""
