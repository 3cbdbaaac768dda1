"""A fleet of any size, worked out from partitioned Parquet by many processes or machines."""
