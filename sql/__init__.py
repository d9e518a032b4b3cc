"""The SELECTs of the pipeline; pipeline.core.sql_runner reads them from here."""
