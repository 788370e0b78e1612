"""Sound in: files and sound cards become blocks of samples; the sample count is the clock."""
