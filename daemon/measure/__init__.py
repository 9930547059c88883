"""Pure numpy: samples in, measured values out. Knows neither storage nor pages."""
