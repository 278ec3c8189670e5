"""A measured response beside the prediction: tables and sentences.

`text`     tables and sentences
`plots`    measurement and prediction laid over each other
`step`     a measured load step beside the model's
`content`  measurements as the content of a report
`guide`    how to measure a loop on the bench
"""
