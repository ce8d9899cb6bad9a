"""Thousands of close-ups: found, looked at, measured by many processes, kept in a ledger, told in two files.

``listing`` finds the photos, ``tasks`` is what workers do, ``workers`` runs tasks on this machine or on a
Dask cluster, ``ledger`` keeps what is done, ``run`` puts them together, ``findings`` writes what came out.
"""
