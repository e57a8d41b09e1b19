"""Pulls and cruises: found, judged and measured."""
