"""Do the strips look as the law says they should, and which law forecasts best?"""
