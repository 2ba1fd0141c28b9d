# Two jobs a recording: to pascal (with verdicts on its channels), then to spectra.


rule pressure:
    input:
        lambda wildcards: JOBS["pressure"].inputs(PLAN, wildcards.run),
        lambda wildcards: JOBS["pressure"].sources(PLAN, wildcards.run),
    output:
        JOBS["pressure"].outputs(PLAN, "{run}"),
        [] if SETTINGS.keep_pressure else temp(pressure_file(PLAN.results, "{run}")),
    log:
        f"{RESULTS}/logs/pressure/{{run}}.log",
    benchmark:
        f"{RESULTS}/benchmarks/pressure/{{run}}.tsv"
    threads: 1
    resources:
        mem_mb=500,
    params:
        digest=lambda wildcards: JOBS["pressure"].digest(PLAN, wildcards.run),
    shell:
        "tapeline pressure {wildcards.run:q} > {log:q} 2>&1"


rule spectra:
    input:
        lambda wildcards: JOBS["spectra"].inputs(PLAN, wildcards.run),
        lambda wildcards: JOBS["spectra"].sources(PLAN, wildcards.run),
    output:
        JOBS["spectra"].outputs(PLAN, "{run}"),
    log:
        f"{RESULTS}/logs/spectra/{{run}}.log",
    benchmark:
        f"{RESULTS}/benchmarks/spectra/{{run}}.tsv"
    threads: 1
    resources:
        mem_mb=500,
    params:
        digest=lambda wildcards: JOBS["spectra"].digest(PLAN, wildcards.run),
    shell:
        "tapeline spectra {wildcards.run:q} > {log:q} 2>&1"
