# One step a batch of recordings: verdicts on their channels, their spectra. Time signals where they are asked for.


rule spectra:
    input:
        lambda wildcards: STEPS["spectra"].inputs(PLAN, wildcards.batch),
        lambda wildcards: STEPS["spectra"].sources(PLAN, wildcards.batch),
    output:
        STEPS["spectra"].file(PLAN.results, "{batch}"),
    log:
        f"{RESULTS}/logs/spectra/{{batch}}.log",
    benchmark:
        f"{RESULTS}/benchmarks/spectra/{{batch}}.tsv"
    threads: 1
    resources:
        mem_mb=500,
    params:
        digest=lambda wildcards: STEPS["spectra"].digest(PLAN, wildcards.batch),
    shell:
        "tapeline step spectra {wildcards.batch:q} > {log:q} 2>&1"


rule pressure:
    input:
        lambda wildcards: pressure_inputs(PLAN, wildcards.run),
        lambda wildcards: JOBS["pressure"].sources(PLAN, wildcards.run),
    output:
        pressure_file(PLAN.results, "{run}"),
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
