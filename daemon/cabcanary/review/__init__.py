"""After the drive: listing, replay, backtest and exchange of recordings."""
