"""The job `report`."""
