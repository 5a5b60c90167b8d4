"""Learning from trips: metrics, charts, alarm replay, and past trips run again."""
