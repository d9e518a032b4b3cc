"""The SELECTs of the pipeline; pipeline.warehouse reads them from here."""
