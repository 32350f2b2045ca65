"""Web pages: the bench display, the queue of jobs, their replay, correction and signing."""
