"""The same diagnosis over recorded scans: a CSV or Parquet file, or the gateway's own history.

Blocks of about a day enter the measuring and the diagnosis that also run live; findings leave as
JSON lines, with a summary and, on request, a page that shows the pressures and the findings.
"""
