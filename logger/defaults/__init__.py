"""Shipped defaults: limits files, each value common practice."""
