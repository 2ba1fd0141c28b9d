"""The output contract: schemas, deterministic Parquet and Arrow files, provenance."""
