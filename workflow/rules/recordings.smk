# One job a batch of recordings: verdicts on their channels and their spectra. Their time signals where they are asked for.


rule spectra:
    input:
        lambda wildcards: batch_inputs(PLAN, wildcards.batch),
        lambda wildcards: batch_sources(PLAN, wildcards.batch),
    output:
        batch_file(PLAN.results, "{batch}"),
    log:
        f"{RESULTS}/logs/spectra/{{batch}}.log",
    benchmark:
        f"{RESULTS}/benchmarks/spectra/{{batch}}.tsv"
    threads: 1
    resources:
        mem_mb=500,
    params:
        digest=lambda wildcards: digest_of_batch(PLAN, wildcards.batch),
    shell:
        "tapeline spectra --batch {wildcards.batch:q} > {log:q} 2>&1"


rule pressure:
    input:
        lambda wildcards: inputs_of("pressure", wildcards.run),
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
