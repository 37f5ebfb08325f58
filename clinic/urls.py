"""Every address of the site: sign-in here, the rest with its audience."""

from django.contrib.auth import views as auth
from django.urls import URLPattern, URLResolver, include, path, re_path

from clinic.accounts import password_views, people_views, steps, views

urlpatterns: list[URLPattern | URLResolver] = [
    path("sign-in/", views.SignIn.as_view(), name="login"),
    path("sign-in/second-step/", steps.second_step, name="second_step"),
    path("sign-in/second-step/passkey/", steps.passkey_ask, name="passkey_ask"),
    path("sign-in/again/", views.prove, name="prove"),
    path("sign-in/kept/", views.kept_form, name="kept_form"),
    path("sign-in/lost/", password_views.lost_password, name="lost_password"),
    path("new-password/<str:token>/", password_views.new_password, name="new_password"),
    path("sign-in/stay/", views.stay, name="stay"),
    path("sign-out/", auth.LogoutView.as_view(), name="logout"),
    path("password/", views.PasswordChange.as_view(), name="password_change"),
    path("password/done/", auth.PasswordChangeDoneView.as_view(), name="password_change_done"),
    path("your-sign-in/", views.your_sign_in, name="your_sign_in"),
    path("your-sign-in/address/", password_views.own_address, name="own_address"),
    path("your-sign-in/app/", steps.second_app, name="second_app"),
    path("your-sign-in/passkey/", steps.passkey_add, name="passkey_add"),
    path("your-sign-in/passkey/begin/", steps.passkey_begin, name="passkey_begin"),
    path("your-sign-in/<int:pk>/remove/", steps.factor_remove, name="factor_remove"),
    path("your-sign-in/recovery-codes/", steps.recovery_codes, name="recovery_codes"),
    path("your-sign-in/end/", views.sign_ins_end, name="sign_ins_end"),
    path("your-sign-in/<uuid:public_id>/end/", views.sign_in_end, name="sign_in_end"),
    path("people/", people_views.people_list, name="people"),
    path("people/invite/", people_views.people_invite, name="people_invite"),
    path("people/invited/<uuid:public_id>/withdraw/", people_views.people_withdraw, name="people_withdraw"),
    path("people/<int:pk>/", people_views.people_change, name="people_change"),
    re_path(
        r"^people/(?P<pk>[0-9]{1,18})/(?P<act>shut-out|let-in|end|reset)/$",
        people_views.people_act,
        name="people_act",
    ),
    path("join/<str:token>/", people_views.join, name="join"),
    path("", include("resupply.web.urls")),
]
handler500 = "clinic.errors.server_error"
