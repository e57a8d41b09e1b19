"""The record over the years: the ledger of services and the history of a vehicle."""
