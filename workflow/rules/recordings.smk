# Two jobs a recording: to pascal (with verdicts on its channels), then to spectra.


rule pressure:
    input:
        recording=lambda wildcards: PLAN.source_files(wildcards.run),
        checks=lambda wildcards: f"{RESULTS}/calibration/checks/{PLAN.session_of(wildcards.run)}.parquet",
    output:
        pressure=PRESSURE if SETTINGS.keep_pressure else temp(PRESSURE),
        quality=f"{RESULTS}/quality/{{run}}.parquet",
    log:
        f"{RESULTS}/logs/pressure/{{run}}.log",
    benchmark:
        f"{RESULTS}/benchmarks/pressure/{{run}}.tsv"
    threads: 1
    resources:
        mem_mb=500,
    params:
        digest=lambda wildcards: PLAN.digest("pressure", wildcards.run),
    shell:
        "tapeline pressure {wildcards.run:q} > {log:q} 2>&1"


rule spectra:
    input:
        pressure=PRESSURE,
        quality=f"{RESULTS}/quality/{{run}}.parquet",
        flow=lambda wildcards: PLAN.flow_series_files(wildcards.run),
    output:
        spectra=f"{RESULTS}/spectra/{{run}}/spectra.parquet",
        history=f"{RESULTS}/spectra/{{run}}/history.parquet",
        asked=[f"{RESULTS}/spectra/{{run}}/{name}.parquet" for name in PLAN.on_request],
    log:
        f"{RESULTS}/logs/spectra/{{run}}.log",
    benchmark:
        f"{RESULTS}/benchmarks/spectra/{{run}}.tsv"
    threads: 1
    resources:
        mem_mb=500,
    params:
        digest=lambda wildcards: PLAN.digest("spectra", wildcards.run),
    shell:
        "tapeline spectra {wildcards.run:q} > {log:q} 2>&1"
