# One job a session: tones in the calibrator recordings, then the decision on every sensitivity.


rule calibrate:
    input:
        lambda wildcards: JOBS["calibrate"].sources(PLAN, wildcards.session),
    output:
        JOBS["calibrate"].outputs(PLAN, "{session}"),
    log:
        f"{RESULTS}/logs/calibrate/{{session}}.log",
    benchmark:
        f"{RESULTS}/benchmarks/calibrate/{{session}}.tsv"
    threads: 1
    resources:
        mem_mb=500,
    params:
        digest=lambda wildcards: JOBS["calibrate"].digest(PLAN, wildcards.session),
    shell:
        "tapeline calibrate {wildcards.session:q} > {log:q} 2>&1"


rule sensitivity:
    input:
        lambda wildcards: inputs_of("sensitivity", wildcards.session),
        lambda wildcards: JOBS["sensitivity"].sources(PLAN, wildcards.session),
    output:
        JOBS["sensitivity"].outputs(PLAN, "{session}"),
    log:
        f"{RESULTS}/logs/sensitivity/{{session}}.log",
    benchmark:
        f"{RESULTS}/benchmarks/sensitivity/{{session}}.tsv"
    threads: 1
    resources:
        mem_mb=300,
    params:
        digest=lambda wildcards: JOBS["sensitivity"].digest(PLAN, wildcards.session),
    shell:
        "tapeline sensitivity {wildcards.session:q} > {log:q} 2>&1"
