"""Further questions to an analysed response, a file each: functions of the result (`result`).

The methods that ask them stand together in `trialkit.analysis.asked`.
"""
