"""The job: heal an archive from another one."""
