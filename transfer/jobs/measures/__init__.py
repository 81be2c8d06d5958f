"""The job: measure the frames of an archive that are not measured yet."""
